"""The virtual person: hears what is asked, lays, cuts, sews and trims by the light that lies on the true cloth."""
