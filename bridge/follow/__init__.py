"""Hears one deck and keeps one beat: sound in, timeline out, everything counted in frames of sound."""
