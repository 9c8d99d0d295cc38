class InputError(ValueError):
    """An input that a published method cannot take.

    Parameters
    ----------
    field : str
        Name of the argument at fault, as the public function spells it.
    detail : str
        What is wrong, the range or rule it breaks, and what to do about it.
    index : int or None
        Position in the array, where the argument was one.

    """

    def __init__(self, field: str, detail: str, index: int | None = None) -> None:
        super().__init__(f"{field}: {detail}")
        self.field = field
        self.detail = detail
        self.index = index
