"""Where the sludge is now, and how sure that is: rival stories about what each sensor sees, weighed by everything heard.

Doors: :mod:`.estimate` folds events into a state and tells the belief, :mod:`.incremental_replay` folds again what came late;
:mod:`.mixture` is what is believed, :mod:`.fusion`, :mod:`.state` and :mod:`.sensor_state` what is remembered, :mod:`.pairing` what
a core said of each sensor, :mod:`.drift` the filters on a sensor's error, :mod:`.past_work` what a belief may rest on.
"""
