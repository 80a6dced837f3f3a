"""What stands at the table, and the loop that leads a person there: devices, clock, opening, turns, going on."""
