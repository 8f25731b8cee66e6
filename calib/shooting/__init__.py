"""A shoot while it goes on: what is wanted, what each photo brought, what is known so far. No network in here."""
