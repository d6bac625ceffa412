"""Duct products: from a data sheet to a duct row, compared, and on a purchase list."""
