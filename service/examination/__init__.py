"""What is wrong with an installation, and what to do about it; looks at everything and changes nothing."""

from service.examination.installation import examine
from service.examination.verdict import ExaminationResult, Grade

__all__ = ["ExaminationResult", "Grade", "examine"]
