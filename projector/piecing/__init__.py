"""The trade, pure: lengths, shapes of cut units, plans. Imports nothing of ours."""
