"""``alarms``, ``ack``, ``shelve``, ``unshelve``, ``journal`` and ``replay``."""
