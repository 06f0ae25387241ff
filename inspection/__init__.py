"""The whole way for one picture: calibration, vision, measurement, result document."""
