//! One file per protocol, rows only.
