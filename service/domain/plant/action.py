"""What a site can do to a high blanket within hours; the words of the site file."""

from __future__ import annotations

from enum import StrEnum


class SiteAction(StrEnum):
    """One thing a site can do."""

    RETURN = "return"
    FLOW_OFF = "flow off"
    TANKS_IN = "tanks in service"
    STEP_FEED = "step feed"
    CONTACT_STABILIZATION = "contact stabilization"
    POLYMER = "polymer"


#: What a site can do where its file does not say: what nearly every plant has (common practice, no source).
USUAL_ACTIONS = (SiteAction.RETURN, SiteAction.FLOW_OFF, SiteAction.TANKS_IN)
