"""The wall display and remote page. Knows monitor/, never hardware/."""
