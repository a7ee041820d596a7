//! Adaptive integration of small systems of ordinary differential equations: the pair of
//! orders 5 and 4 of Dormand and Prince (1980; coefficients from memory, proved by the order
//! of convergence and closed forms in the tests).

/// State of `N` quantities.
pub(crate) type State<const N: usize> = [f64; N];

const A: [&[f64]; 6] = [
    &[1.0 / 5.0],
    &[3.0 / 40.0, 9.0 / 40.0],
    &[44.0 / 45.0, -56.0 / 15.0, 32.0 / 9.0],
    &[19372.0 / 6561.0, -25360.0 / 2187.0, 64448.0 / 6561.0, -212.0 / 729.0],
    &[9017.0 / 3168.0, -355.0 / 33.0, 46732.0 / 5247.0, 49.0 / 176.0, -5103.0 / 18656.0],
    &[35.0 / 384.0, 0.0, 500.0 / 1113.0, 125.0 / 192.0, -2187.0 / 6784.0, 11.0 / 84.0],
];

/// Fifth less fourth order.
const E: [f64; 7] = [
    71.0 / 57600.0,
    0.0,
    -71.0 / 16695.0,
    71.0 / 1920.0,
    -17253.0 / 339200.0,
    22.0 / 525.0,
    -1.0 / 40.0,
];

/// What a step leads to.
pub(crate) struct Step<const N: usize> {
    /// The new state.
    pub to: State<N>,
    /// How far that may be off.
    pub error: State<N>,
    /// The rates there, which the next step begins with.
    pub rates: State<N>,
}

/// One step of length `h` of an autonomous system; `rates` are those at its start.
pub(crate) fn step<const N: usize>(
    rate: impl Fn(&State<N>) -> State<N>,
    from: &State<N>,
    rates: &State<N>,
    h: f64,
) -> Step<N> {
    let mut slopes = [*rates; 7];
    let mut to = *from;
    for (i, row) in (1..).zip(A) {
        to = *from;
        for (weight, slope) in row.iter().zip(&slopes) {
            add(&mut to, h * weight, slope);
        }
        if let Some(slot) = slopes.get_mut(i) {
            *slot = rate(&to);
        }
    }
    let mut error = [0.0; N];
    for (weight, slope) in E.iter().zip(&slopes) {
        add(&mut error, h * weight, slope);
    }
    let [.., rates] = slopes;
    Step { to, error, rates }
}

fn add<const N: usize>(to: &mut State<N>, weight: f64, slope: &State<N>) {
    for (t, s) in to.iter_mut().zip(slope) {
        *t += weight * s;
    }
}

/// How exactly, and how far at a time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Control<const N: usize> {
    /// Error allowed in one step, for each quantity.
    pub tolerance: State<N>,
    /// Longest step in s.
    pub longest: f64,
    /// Most steps.
    pub max_steps: usize,
}

/// Share of the allowed error below which a step grows as much as it may: (0.9/4)⁵.
const SMALL: f64 = 5e-4;

/// Integrates until `until` is true of a state and its rates; calls `seen` with time, state and rates after
/// every step. Gives up, with false, after the most steps allowed.
pub(crate) fn integrate<const N: usize>(
    rate: impl Fn(&State<N>) -> State<N>,
    start: State<N>,
    control: &Control<N>,
    until: impl Fn(&State<N>, &State<N>) -> bool,
    mut seen: impl FnMut(f64, &State<N>, &State<N>),
) -> bool {
    let (mut time, mut state, mut rates) = (0.0, start, rate(&start));
    let mut h = control.longest / 64.0;
    for _ in 0..control.max_steps {
        let Step { to, error, rates: there } = step(&rate, &state, &rates, h);
        let worst =
            error.iter().zip(&control.tolerance).map(|(e, t)| (e / t).abs()).fold(0.0, f64::max);
        let grow = if worst > SMALL {
            (0.9 * libm::exp(-0.2 * libm::log(worst))).clamp(0.2, 4.0)
        } else {
            4.0
        };
        // A corner in the rate (a limiter) is crossed in small steps, but never in none.
        if worst <= 1.0 || h <= control.longest * 1e-6 {
            time += h;
            (state, rates) = (to, there);
            seen(time, &state, &rates);
            if until(&state, &rates) {
                return true;
            }
        }
        h = (h * grow).clamp(control.longest * 1e-7, control.longest);
    }
    false
}

#[cfg(test)]
mod tests {
    use super::step;

    #[test]
    fn the_error_falls_with_the_fifth_power_of_the_step() {
        // y'' = −y from (1, 0): y(1) = cos 1.
        let after = |steps: u32| {
            let mut state = [1.0, 0.0];
            for _ in 0..steps {
                let rates = [state[1], -state[0]];
                let rate = |s: &[f64; 2]| [s[1], -s[0]];
                state = step(rate, &state, &rates, 1.0 / f64::from(steps)).to;
            }
            (state[0] - 1.0_f64.cos()).abs()
        };
        let order = (after(8) / after(16)).log2();
        assert!((4.7..6.5).contains(&order), "order {order}");
        assert!(after(64) < 1e-11);
    }

    #[test]
    fn the_error_estimate_falls_with_the_fifth_power_too() {
        // The embedded fourth-order result errs by h^5 in one step.
        let error = |h: f64| step(|s: &[f64; 1]| [-s[0]], &[1.0], &[-1.0], h).error[0].abs();
        let order = (error(0.2) / error(0.1)).log2();
        assert!((4.5..5.6).contains(&order), "order {order}");
    }
}
