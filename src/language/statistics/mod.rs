//! Statistics on plain doubles: no units, no built-ins, published formulas. The special functions
//! behind the distributions come from `statrs` and `libm`.
//!
//! A function gives NaN or nothing where its result is not defined; the built-ins say why.

pub(crate) mod capability;
pub(crate) mod control;
pub(crate) mod correlated;
pub(crate) mod describe;
pub(crate) mod distributions;
pub(crate) mod fit;
pub(crate) mod gauge;
pub(crate) mod order;
pub(crate) mod pattern;
pub(crate) mod polynomial;
pub(crate) mod spectrum;
pub(crate) mod uncertainty;

/// Normally distributed numbers, the same for a seed.
#[cfg(test)]
pub(crate) fn normals(seed: u64) -> impl FnMut() -> f64 {
    use rand_pcg::Pcg64;
    use rand_pcg::rand_core::{Rng, SeedableRng};
    let mut random = Pcg64::seed_from_u64(seed);
    move || distributions::normal_quantile((random.next_u64() as f64 + 0.5) / 2.0_f64.powi(64))
}
