"""What the pages share: templates, style, plots, and the vendored plotting library."""
