"""From the bytes of a site file to sections with their lines, and what is wrong with them in words."""
