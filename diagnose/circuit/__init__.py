"""From parts and nets to volts and amps."""
