"""The store: decisions and ids given, kept from run to run."""
