"""Every kind of section of the site file as a model."""
