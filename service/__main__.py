import gc


def main() -> None:
    """Run the command line."""
    # What is loaded stays: looking through it for rubbish, again and again, makes the start a tenth longer.
    gc.disable()
    from service.cli import app  # noqa: PLC0415  not before

    gc.freeze()
    gc.enable()
    app()


if __name__ == "__main__":
    main()
