"""Names of alarms and of what they belong to, for logs and reports."""

from __future__ import annotations

from collections.abc import Mapping

from service.alarms.definition import AlarmDefinition, SystemWatch

#: The service's own alarms: all of one kind, so that the kind's word would say nothing.
_OWN = {
    SystemWatch.CONNECTOR: "no data",
    SystemWatch.DELIVERY: "messages cannot be delivered",
    SystemWatch.CLOCK: "clocks differ",
    SystemWatch.DUTY: "nobody on duty ahead",
    SystemWatch.FILLING: "several tanks filling at once",
    SystemWatch.CHATTERING: "alarms come and go",
    SystemWatch.STALE: "alarms active for very long",
}


def name_of(key: str, definition: AlarmDefinition | None, words: Mapping[str, str]) -> str:
    """How bad, or what is wrong, in a few words; *words* are those of the kinds, by alarm."""
    own = None if definition is None or definition.watch is None else _OWN.get(definition.watch)
    return own or words.get(key, key)


def about(key: str, definition: AlarmDefinition | None, labels: Mapping[str, str]) -> str:
    """The tank, source or service an alarm belongs to; *labels* are the tanks', by key."""
    if definition is None:
        return key
    if definition.connector is not None:
        return f"Source {definition.connector}"
    if definition.watch is SystemWatch.FILLING:
        return "The plant"
    return labels.get(definition.tank or "", "The service")
