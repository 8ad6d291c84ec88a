"""What a frozen part works out of its fields once, kept where neither its fields nor vars() show it."""

from __future__ import annotations

from functools import cached_property
from typing import Any, TypeVar

Value = TypeVar("Value")


class WorksOut:
    """To be inherited from by who uses worked_out_once; a copy and a pickle begin anew."""

    __slots__ = ("_worked_out",)

    def __getstate__(self) -> dict[str, Any]:
        return vars(self)


class worked_out_once(cached_property[Value]):  # noqa: N801 - a decorator, as its parent
    """A property of a WorksOut that is computed when it is first asked for."""

    def __get__(self, instance: Any, owner: type[Any] | None = None) -> Value:  # type: ignore[override]
        """Return the value, or itself where the class is asked."""
        if instance is None:
            return self  # type: ignore[return-value]
        try:
            known = instance._worked_out
        except AttributeError:
            known = {}
            # What is frozen are the fields; this follows from them.
            object.__setattr__(instance, "_worked_out", known)
        if self.attrname not in known:
            known[self.attrname] = self.func(instance)
        value: Value = known[self.attrname]
        return value
