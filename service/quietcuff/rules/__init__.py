"""The rules as data, and the catalog that loads and checks them."""
