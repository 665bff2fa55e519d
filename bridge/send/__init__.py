"""What the pedals are told: pure policies, clocks, and the schedule of what is due."""
