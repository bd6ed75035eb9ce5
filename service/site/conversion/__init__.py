"""From sections to the domain's own objects, with what the file leaves out filled in."""
