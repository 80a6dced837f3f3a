"""What lies on the virtual table: cloth, sheets, the mat and its print, a hand, and what a pixel sees of them."""
