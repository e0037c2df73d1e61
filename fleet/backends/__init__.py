"""Django's database backends, which tell the database who acts (`fleet.acting`)."""
