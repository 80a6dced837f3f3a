"""A pile as a machine: spread, measured at rest, signed, lifted; fed one by one for a gauge study."""
