"""The page: what people look at, as HTML and JSON from the same values.

Read `backend` (what it is given), `registry` (list of pages), `app`, `request_context`, `common`, then `pages/`.
Knows no store, source or broker.
"""
