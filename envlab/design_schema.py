"""x"""


def design_schema() -> dict[str, object]:
    """x"""
    return {}
