"""The technician's pages: sensors to work on, one sensor, work recorded."""
