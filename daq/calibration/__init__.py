"""From raw reading to quantity: sensor equations, fits and calibration records.

:mod:`.record` holds one calibration and applies it: raw → :mod:`.signal` (counts to volts, ratio or
resistance) → an equation (:mod:`.equations`, :mod:`.table`, :mod:`.ntc`, :mod:`.rtd`,
:mod:`.thermocouple`) → value, status and uncertainty.
"""
