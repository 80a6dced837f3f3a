"""Statistics of piles and of the gauge itself: pure functions of numbers, whatever they measure."""
