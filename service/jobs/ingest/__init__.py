"""Ingest: poll a connector, store what it delivers, and only then acknowledge it.

A whole file is one transaction, with its readings, cores, entry in the processed files, counts, recompute marks and the connector's new
position; the connector is told after the commit. A crash at any point therefore leaves either nothing or everything, and
what is delivered again changes nothing.
"""

from service.jobs.ingest.drive import IngestStep, ingest
from service.jobs.ingest.report import DeliveryReport, IngestReport
from service.jobs.plant.plant import Plant

__all__ = ["DeliveryReport", "IngestReport", "IngestStep", "Plant", "ingest"]
