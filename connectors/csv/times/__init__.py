"""From times as people and programs write them to UTC, by the column."""
