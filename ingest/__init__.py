"""Messages in, evidence kept: MQTT, SenML, CSV, validation, the DuckDB store and its evaluation."""
