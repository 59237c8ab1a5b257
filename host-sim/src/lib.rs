//! Host side of ohmsplit.
