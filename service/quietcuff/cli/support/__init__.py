"""What several commands share: their database, lists, progress, files and complaints."""
