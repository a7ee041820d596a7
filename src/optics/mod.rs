//! Line planning and trim computation as plain functions with published formulas. Uses units only.
