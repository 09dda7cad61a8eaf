"""From the belief to the forecast: members drawn, flown on, and flown home from everywhere."""
