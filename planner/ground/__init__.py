"""Ground: what two chapters need."""
