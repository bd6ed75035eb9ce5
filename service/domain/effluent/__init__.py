"""What leaves the plant, against its permit: limits, daily values, averages and solids lost. Doors: ``permit``, ``daily``, ``month``."""
