"""The follower's next heart, not yet in the live path: features, learned activation, belief, announcer."""
