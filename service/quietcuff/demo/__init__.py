"""The demonstration: an invented clinic's morning, posted over HTTP to a server of its own and shown as it goes."""
