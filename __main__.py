"""``python -m heatdrift`` is the ``heatdrift`` command."""

from .cli.main import main

if __name__ == "__main__":
    main()
