"""Files beside the records: pictures of a session, photographs of units, texts that are whole or not there."""
