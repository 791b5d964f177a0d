"""The guided sitting in the browser: its page, and the server of it. It uses the public API alone."""

# The application that a server process makes, and where it finds the page's key.
FACTORY = "quietcuff.demo.bedside.app:create_bedside_from_environment"
KEY_FILE = "QUIETCUFF_BEDSIDE_KEY_FILE"
