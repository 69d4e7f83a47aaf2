"""Open forecast services in, one Forecast out."""
