"""Checks an installation and says what is wrong and what to do; changes nothing."""

from service.examination.installation import examine
from service.examination.verdict import ExaminationResult, Grade

__all__ = ["ExaminationResult", "Grade", "examine"]
