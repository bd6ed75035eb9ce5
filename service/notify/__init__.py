"""Words messages and sends them through channels; the only package that sends."""
