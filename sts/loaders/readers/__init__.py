"""One module for each kind of file: bytes in, blocks of named columns out."""
