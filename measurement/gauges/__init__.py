"""Hand gauges on the same profile: what each would read here, where it touches, why that is not the true value."""

from __future__ import annotations

from measurement.gauges.catalogue import GAUGES, Gauge, read, readings
from measurement.gauges.reading import CAUTION, GaugeReading, NoReading, Part, Read

__all__ = ["CAUTION", "GAUGES", "Gauge", "GaugeReading", "NoReading", "Part", "Read", "read", "readings"]
