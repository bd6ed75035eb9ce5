"""Where the sludge is now, and how sure that is: rival stories about what each sensor sees, weighed by everything heard.

Doors: :mod:`~service.domain.blanket.tracker` folds events into a state; :mod:`~service.domain.blanket.mixture` is what is believed.
"""
