"""The line-up: the walk through every deck and pedal before a set, and its page of what is well and what is not."""
