"""The review page in the browser: three desks over one plan, and who may reach them."""
