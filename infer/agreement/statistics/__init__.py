"""Statistics of agreement as array functions, one concept a file: nothing here reads a table or writes a file."""
