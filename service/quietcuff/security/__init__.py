"""Who may do what: API keys, and the principal with scopes that a good one makes."""
