"""Sound and clock measured: numbers in, what they tell out. Pure."""
