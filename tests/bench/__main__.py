"""``python -m tests.bench``: the benchmark, which lives in tests.speed (here are the tests of rig.bench)."""

from tests.speed.__main__ import main

raise SystemExit(main())
