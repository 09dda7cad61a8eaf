"""The two ends of the line: links, recorder, broker, clock. Small and replaceable."""
