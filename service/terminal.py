"""The terminal. What people wrote is text there, never markup; colour and weight are given by `style`."""

from rich.console import Console

out = Console(highlight=False, markup=False, emoji=False)
err = Console(stderr=True, highlight=False, markup=False, emoji=False)
