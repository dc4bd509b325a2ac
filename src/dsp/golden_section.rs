//! The highest point of a function with one maximum between two ends.

/// Where a function is highest between two ends, by sections in the golden ratio: each step keeps 0.618 of the stretch.
///
/// With more than one maximum it finds one of them.
///
/// ```
/// let found = linewake::dsp::golden_section::highest(0.0, 4.0, 40, |x| -(x - 1.25) * (x - 1.25));
/// assert!((found - 1.25).abs() < 1e-6);
/// ```
///
/// # Sources
/// J. Kiefer, Proc. Am. Math. Soc. 4 (1953) 502-506 (from memory).
pub fn highest(mut low: f64, mut high: f64, steps: u32, value: impl Fn(f64) -> f64) -> f64 {
    const RATIO: f64 = 0.618_033_988_749_894_9;
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
    f64::midpoint(low, high)
}
