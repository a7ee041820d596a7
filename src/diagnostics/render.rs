//! Text rendering of diagnostics through ariadne.
