"""Many monitors, one shop: what each tells a broker, and what a page and other software make of it."""
