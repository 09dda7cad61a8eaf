"""From the forecast to what is said: the situation, the table of rules, sentences, the status."""
