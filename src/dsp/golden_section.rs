//! The highest point of a function with one maximum between two ends.

/// Where a smooth function is highest between two ends, by sections in the golden ratio: each step keeps 0.618 of the
/// stretch, and then by its slope.
///
/// With more than one maximum it finds one of them.
///
/// ```
/// let found = linewake::dsp::golden_section::highest(0.0, 4.0, 40, |x| -(x - 1.25) * (x - 1.25));
/// assert!((found - 1.25).abs() < 1e-12);
/// ```
///
/// # Sources
/// J. Kiefer, Proc. Am. Math. Soc. 4 (1953) 502-506 (from memory).
pub fn highest(mut low: f64, mut high: f64, steps: u32, value: impl Fn(f64) -> f64) -> f64 {
    const RATIO: f64 = 0.618_033_988_749_894_9;
    let stretch = high - low;
    let (mut a, mut b) = (high - RATIO * (high - low), low + RATIO * (high - low));
    let (mut of_a, mut of_b) = (value(a), value(b));
    for _ in 0..steps {
        if of_a > of_b {
            (high, b, of_b) = (b, a, of_a);
            a = high - RATIO * (high - low);
            of_a = value(a);
        } else {
            (low, a, of_a) = (a, b, of_b);
            b = low + RATIO * (high - low);
            of_b = value(b);
        }
    }
    where_level(f64::midpoint(low, high), stretch, value)
}

/// The place near the top of a smooth function where its slope is none, of the values at two distances to both sides.
///
/// The top itself is flat over about the square root of the rounding of doubles, so that the highest value stands at one
/// place or another by chance, and by how a processor rounds. From places a hundredth of the stretch away the slope is known
/// to some 1e-14 of the stretch, and the two distances take out what is lopsided about the top (Richardson).
fn where_level(mut at: f64, stretch: f64, value: impl Fn(f64) -> f64) -> f64 {
    const REACH: f64 = 0.01;
    const ROUNDS: u32 = 2;
    let reach = REACH * stretch;
    for _ in 0..ROUNDS {
        let (below, above) = (value(at - reach), value(at + reach));
        let (far_below, far_above) = (value(at - 2.0 * reach), value(at + 2.0 * reach));
        let slope = (8.0 * (above - below) - (far_above - far_below)) / (12.0 * reach);
        let bend = (far_above + far_below - above - below) / (3.0 * reach * reach);
        let shift = -slope / bend;
        // Also where it is no top, or not smooth.
        if bend >= 0.0 || shift.is_nan() || shift.abs() > reach {
            return at;
        }
        at += shift;
    }
    at
}

/// Where a smooth function is highest between two ends, from a guess that is at least as high as both: by Brent's method,
/// a parabola through the three best places so far, and a golden section where that does not close in.
///
/// It ends where the place is known within a millionth of the stretch at first, and then goes by the slope.
///
/// ```
/// let found = linewake::dsp::golden_section::highest_from(1.0, 0.0, 4.0, |x: f64| -(x - 1.25).cosh());
/// assert!((found - 1.25).abs() < 1e-11);
/// ```
///
/// # Sources
/// R. P. Brent, Algorithms for Minimization without Derivatives (1973), chapter 5 (from memory).
pub fn highest_from(guess: f64, mut low: f64, mut high: f64, value: impl Fn(f64) -> f64) -> f64 {
    const SHORT: f64 = 0.381_966_011_250_105_1;
    const MOST_STEPS: u32 = 60;
    let stretch = high - low;
    let tolerance = 1e-6 * stretch;
    // The best place, the next best one, and the one before that, each with its value.
    let (mut best, mut second, mut third) = (guess, guess, guess);
    let (mut of_best, mut of_second, mut of_third) = (value(guess), f64::NEG_INFINITY, f64::NEG_INFINITY);
    let (mut step, mut before_last) = (0.0f64, 0.0f64);
    for _ in 0..MOST_STEPS {
        let middle = f64::midpoint(low, high);
        if (best - middle).abs() + 0.5 * (high - low) <= 2.0 * tolerance {
            break;
        }
        let r = (best - second) * (of_best - of_third);
        let q = (best - third) * (of_best - of_second);
        let parabola = ((best - third) * q - (best - second) * r) / (-2.0 * (q - r));
        let to = best + parabola;
        let closes_in = before_last.abs() > tolerance && parabola.abs() < 0.5 * before_last.abs();
        before_last = step;
        if closes_in && to > low && to < high {
            step = parabola;
            if to - low < 2.0 * tolerance || high - to < 2.0 * tolerance {
                step = tolerance.copysign(middle - best);
            }
        } else {
            before_last = if best < middle { high - best } else { low - best };
            step = SHORT * before_last;
        }
        let next = best + if step.abs() >= tolerance { step } else { tolerance.copysign(step) };
        let of_next = value(next);
        if of_next >= of_best {
            if next >= best {
                low = best
            } else {
                high = best
            }
            (third, of_third, second, of_second) = (second, of_second, best, of_best);
            (best, of_best) = (next, of_next);
        } else {
            if next < best {
                low = next
            } else {
                high = next
            }
            if of_next >= of_second {
                (third, of_third) = (second, of_second);
                (second, of_second) = (next, of_next);
            } else if of_next >= of_third {
                (third, of_third) = (next, of_next);
            }
        }
    }
    where_level(best, stretch, value)
}
