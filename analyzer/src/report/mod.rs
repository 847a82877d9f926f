//! Outputs: one short file per output.
