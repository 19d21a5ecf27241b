"""A state that is read long after it was opened: one state to the end, or a clear error."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from icechunk import IcechunkError
from zarr.abc.store import Store
from zarr.storage import WrapperStore

from pipeline.errors import StoreError
from pipeline.store.faults import lost_state
from pipeline.store.object_store import told_fault

if TYPE_CHECKING:
    from icechunk import Session
    from zarr.abc.store import ByteRequest
    from zarr.core.buffer import Buffer, BufferPrototype


class HeldStore(WrapperStore[Store]):
    """The store of one state, for readers who keep it: what is gone is told as such.

    Nights only add files, so that a state stays as it is while others are committed. Its files
    go when it is thinned out, or with the whole store; then each read raises `StoreError`.
    """

    def __init__(self, session: Session, store: Store | None = None) -> None:
        super().__init__(session.store if store is None else store)
        self._session = session

    def _with_store(self, store: Store) -> Self:
        return type(self)(self._session, store)

    async def get(
        self, key: str, prototype: BufferPrototype, byte_range: ByteRequest | None = None
    ) -> Buffer | None:
        """Return what is stored under a key, as the store does."""
        with told_if_lost(str(self._session.snapshot_id)):
            return await self._store.get(key, prototype, byte_range)


@contextmanager
def told_if_lost(commit: str) -> Iterator[None]:
    """Tell in a line why a state that was open can no longer be read."""
    try:
        yield
    except IcechunkError as error:
        raise told_fault(error) or StoreError(lost_state(error, commit)) from error
