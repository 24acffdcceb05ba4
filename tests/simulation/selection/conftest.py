"""The simulated companies are imported by the programs beside them, not collected as tests."""

collect_ignore_glob = ["*_world.py"]
