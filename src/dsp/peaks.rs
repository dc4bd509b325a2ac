//! Peaks of a row of values: the floor they stand on, and how far they rise.

/// The running median: each value becomes the median of the `width` values around it.
///
/// At both ends the stretch is cut to what there is, so that nothing is invented beyond the row. An even width counts
/// as the next odd one.
///
/// ```
/// use linewake::dsp::peaks::running_median;
/// assert_eq!(running_median(&[1.0, 9.0, 2.0, 3.0, 2.0], 3), [5.0, 2.0, 3.0, 2.0, 2.5]);
/// ```
pub fn running_median(values: &[f64], width: usize) -> Vec<f64> {
    let half = width / 2;
    let mut sorted: Vec<f64> = Vec::with_capacity(2 * half + 1);
    let place = |sorted: &[f64], value: f64| sorted.partition_point(|held| held.total_cmp(&value).is_lt());
    for &value in values.iter().take(half) {
        sorted.insert(place(&sorted, value), value);
    }
    (0..values.len())
        .map(|at| {
            if let Some(&value) = values.get(at + half) {
                sorted.insert(place(&sorted, value), value);
            }
            if let Some(gone) = at.checked_sub(half + 1) {
                sorted.remove(place(&sorted, values[gone]));
            }
            middle(&sorted)
        })
        .collect()
}

/// The median of values in any order; `NaN` where there are none.
pub fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let half = values.len() / 2;
    let (_, upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let upper = *upper;
    if values.len().is_multiple_of(2) {
        let lower = values[..half].iter().copied().fold(f64::NEG_INFINITY, f64::max);
        f64::midpoint(lower, upper)
    } else {
        upper
    }
}

fn middle(sorted: &[f64]) -> f64 {
    let half = sorted.len() / 2;
    if sorted.len().is_multiple_of(2) { f64::midpoint(sorted[half - 1], sorted[half]) } else { sorted[half] }
}

/// A local maximum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Its place in the row.
    pub index: usize,
    /// How far it rises above the higher of the two lowest points between it and the next higher values (or the ends
    /// of the row) to either side.
    pub prominence: f64,
}

/// The local maxima that reach at least `height`, with their prominence, in order.
///
/// A maximum is higher than both its neighbours; of a level stretch it is the middle. The ends of the row are none.
///
/// ```
/// use linewake::dsp::peaks::peaks;
/// let found = peaks(&[0.0, 5.0, 2.0, 3.0, 1.0, 4.0, 0.0], 1.0);
/// let prominences: Vec<_> = found.iter().map(|peak| (peak.index, peak.prominence)).collect();
/// assert_eq!(prominences, [(1, 5.0), (3, 1.0), (5, 3.0)]);
/// ```
///
/// # Sources
/// Topographic prominence, as SciPy's `find_peaks` and `peak_prominences` define it (compared in `dsp_reference`).
pub fn peaks(values: &[f64], height: f64) -> Vec<Peak> {
    let mut found = Vec::new();
    let mut at = 1;
    while at + 1 < values.len() {
        let mut end = at;
        while end + 1 < values.len() && values[end + 1].total_cmp(&values[at]).is_eq() {
            end += 1;
        }
        let is_peak = values[at - 1] < values[at] && end + 1 < values.len() && values[end + 1] < values[at];
        if is_peak && values[at] >= height {
            let index = usize::midpoint(at, end);
            found.push(Peak { index, prominence: prominence(values, index) });
        }
        at = end + 1;
    }
    found
}

fn prominence(values: &[f64], index: usize) -> f64 {
    let top = values[index];
    let lowest =
        |side: &mut dyn Iterator<Item = &f64>| side.take_while(|value| **value <= top).copied().fold(top, f64::min);
    let left = lowest(&mut values[..index].iter().rev());
    let right = lowest(&mut values[index + 1..].iter());
    top - left.max(right)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_by_hand() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), 2.5);
        assert!(median(&mut []).is_nan());
        assert_eq!(running_median(&[4.0], 61), [4.0]);
        assert_eq!(running_median(&[1.0, 2.0, 3.0, 4.0], 99), [2.5; 4]);
    }

    #[test]
    fn level_stretches_and_ends() {
        assert_eq!(peaks(&[0.0, 2.0, 2.0, 2.0, 1.0], 0.0), [Peak { index: 2, prominence: 1.0 }]);
        assert!(peaks(&[3.0, 1.0, 2.0], 0.0).is_empty());
        assert!(peaks(&[1.0, 2.0, 2.0], 0.0).is_empty());
    }
}
