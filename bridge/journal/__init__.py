"""What happened, kept on disk: the journal and the sound of a take."""
