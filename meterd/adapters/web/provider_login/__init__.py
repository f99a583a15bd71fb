"""Login by OpenID Connect: an identity provider says who somebody is and which roles they have. Beside the user accounts.

routes (begin, return) -> provider (its settings and keys, code for tokens, proof of the ID token) -> fetch (HTTP with limits)

Authorization code flow with PKCE (RFC 7636), state and nonce. No request of another page ever waits for the provider.
"""
