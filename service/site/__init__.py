"""The site file: reads and checks it, and converts it to tanks, signals, alarms and people.

Door: :mod:`.site`.
"""

from service.site.reading.finding import Finding, Severity, errors_of, text_of
from service.site.site import Site, check_site, load_site, parse_site

__all__ = ["Finding", "Severity", "Site", "check_site", "errors_of", "load_site", "parse_site", "text_of"]
