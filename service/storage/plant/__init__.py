"""The plant in the database: tanks, signals, versions of the site file, outages."""
