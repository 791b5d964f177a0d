"""The words of the field as types: readings and their context, what comes out, changes, and every error."""
