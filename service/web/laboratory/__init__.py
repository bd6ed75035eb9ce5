"""The day's sheet: typed, corrected, exported, and for programs."""
