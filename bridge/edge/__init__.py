"""Live input and output: sound, MIDI, OSC, control, the host clock. Nothing pure imports it."""
