"""What other rules would say of what is stored."""
