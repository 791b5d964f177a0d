"""Authentication and authorization: API keys, tokens and scopes, and the addresses that may be reached."""
