//! See `ampwake_tests::foreign`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| ampwake_fuzz::run("raw", bytes));
