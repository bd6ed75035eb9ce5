"""Documents people print and file: certificates and reports. Values in, bytes out."""
