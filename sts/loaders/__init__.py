"""From files to `SweepSet`s: recognise, decode, find the columns, convert to SI."""
