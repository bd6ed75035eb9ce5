"""What runs. One verb a file: read, decide, write."""
