"""``python -m sts``: the same as the command ``sts``."""

from sts.cli import main

raise SystemExit(main())
