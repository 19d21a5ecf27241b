"""The order of test files on several workers, where each takes the next file that is left.

On a fresh clone whoever first needs a kernel compiles it (`pipeline.compiled`). The first file
makes whole nights, for which most of them are compiled; those ``WITHOUT_KERNELS`` come next,
so that the other worker has work meanwhile and does not compile the same ones. Then come the
files that take longest, so that no worker is left alone with one at the end.

The files ``TOGETHER`` are one worker's, since they share a server that takes long to start.
"""

COMPILING = ("deliver/test_readers.py",)
WITHOUT_KERNELS = (
    "test_cli.py",
    "deliver/test_conformance.py",
    "deliver/test_netcdf.py",
)
LONG = (
    "flows/test_nightly.py",
    "flows/test_cluster.py",
    "flows/test_redo_and_deliver.py",
    "history/test_revisions.py",
    "test_promises.py",
    "open_records/test_nights.py",
    "flows/test_serving.py",
    "fuzz/test_fuzz.py",
    "kills/test_kills.py",
    "ingest/test_growing_nights.py",
    "store/test_object_store.py",
    "test_ledger_properties.py",
    "ingest/test_sniff.py",
    "test_bad_input.py",
    "nights/test_rounds_nights.py",
    "lineage/test_rows.py",
    "ingest/test_sdi12_exchanges.py",
    "demo/test_demo_field.py",
    "ingest/test_shrunk.py",
    "ingest/test_clock_back.py",
    "test_hard_times.py",
    "delivering/test_delivering_by_nights.py",
    "nights/test_empty_periods.py",
    "nights/test_kept_files.py",
    "engine/test_engine.py",
    "ingest/test_clock_nights.py",
    "accounts/test_verify.py",
    "accounts/test_verify_raw_files.py",
    "ingest/test_repacked_nights.py",
    "lineage/test_repacked.py",
    "delivering/test_delivering_again.py",
    "delivering/test_numbered.py",
)
TOGETHER = (
    "flows/test_nightly.py",
    "flows/test_cluster.py",
    "flows/test_redo_and_deliver.py",
)
FIRST = (*COMPILING, *WITHOUT_KERNELS, *LONG)
