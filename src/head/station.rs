//! A head with its gauge, guarded while armed.
