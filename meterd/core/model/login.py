"""Settings of the login by OpenID Connect, beside the user accounts of the page."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Login:
    """One identity provider. Each default carries its reason. Without `issuer` there is none."""

    issuer: str = ""  # its settings are read from issuer/.well-known/openid-configuration
    client_id: str = ""
    client_secret_env: str = ""
    client_secret_file: str = ""  # without a secret the page is a public client: PKCE protects the code either way
    ca_file: str = ""  # empty = the system's authorities
    title: str = ""  # on the button and behind the name of the person; empty = the host of the issuer
    scopes: tuple[str, ...] = ("openid", "profile")  # the least with which a provider gives a name
    name_claim: str = "preferred_username"  # without it the person is called by `sub`
    roles_claim: str = "roles"
    roles: tuple[tuple[str, str], ...] = ()  # (value of that claim, role); the highest counts, none is no access
    session_s: int = 28_800  # a shift: a role that the provider took away is gone then; 0 = as long as the ID token
    timeout_s: int = 5  # for each answer of the provider: a person waits for it
