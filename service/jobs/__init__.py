"""Jobs: each reads, decides and writes. One verb a file."""
