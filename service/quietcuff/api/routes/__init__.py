"""The routes: one controller a file, with what each operation says of itself."""
