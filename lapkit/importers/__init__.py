"""Files of telemetry into recordings."""
