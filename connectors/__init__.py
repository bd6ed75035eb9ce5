"""The plant side: values in, samples out. Knows nothing of the service, reads only, never writes to the plant."""
