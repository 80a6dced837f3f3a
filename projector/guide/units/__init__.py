"""The chapter of units: cut from strips one after the other, trimmed, turned, counted; what cuts tell of the hand."""
