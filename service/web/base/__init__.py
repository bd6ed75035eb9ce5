"""What every page and every answer needs: who asks, templates, formatters, errors, limits."""
