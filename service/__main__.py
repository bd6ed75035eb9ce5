"""Entry of ``underweir`` and of ``python -m service``."""

from service.cli.app import main

if __name__ == "__main__":
    main()
