"""The page, the tables and the files that leave the room."""
