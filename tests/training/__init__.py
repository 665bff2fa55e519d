"""From drum performances to the weights of the beat activation: the only folder that needs torch."""
