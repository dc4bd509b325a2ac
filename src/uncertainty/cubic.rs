//! What lies between points: a cubic through neighbours, and how far it is from the straight line.
//!
//! Between two points a cubic meets both with the slopes of the parabolas through three neighbouring points each. A
//! value is a weighted sum of the observed ones, so that their uncertainties carry over. The distance to the straight
//! line is what the course between the points bends, as far as the points can tell.

/// A value between points.
#[derive(Debug, Clone, PartialEq)]
pub struct Between {
    /// The value of the cubic.
    pub value: f64,
    /// How far it is above the straight line between the two neighbours.
    pub bend: f64,
    /// The weight of each point in the value.
    pub weights: Vec<f64>,
}

/// The value at `place` between points at rising `x`; `None` outside of them, and with fewer than two.
///
/// Two points have a straight line between them.
///
/// ```
/// use linewake::uncertainty::cubic::between;
/// // A parabola is met: 1.5² = 2.25, and the line between 1 and 4 has 2.5 there.
/// let found = between(&[0.0, 1.0, 2.0, 3.0], &[0.0, 1.0, 4.0, 9.0], 1.5).unwrap();
/// assert!((found.value - 2.25).abs() < 1e-12 && (found.bend + 0.25).abs() < 1e-12);
/// ```
///
/// # Panics
/// When there are not as many values as places.
///
/// # Sources
/// C. de Boor, A Practical Guide to Splines, chapter IV: piecewise cubic Bessel interpolation (from memory). The slopes
/// are those of `numpy.gradient` with `edge_order=2`, the pieces those of `scipy.interpolate.CubicHermiteSpline`.
pub fn between(x: &[f64], y: &[f64], place: f64) -> Option<Between> {
    assert_eq!(x.len(), y.len(), "a value for each place");
    let count = x.len();
    if count < 2 || !(x[0]..=x[count - 1]).contains(&place) {
        return None;
    }
    let right = x.partition_point(|&other| other <= place).clamp(1, count - 1);
    let left = right - 1;
    let step = x[right] - x[left];
    let t = (place - x[left]) / step;
    let mut weights = vec![0.0; count];
    let mut add = |factor: f64, terms: &[(usize, f64)]| terms.iter().for_each(|(n, w)| weights[*n] += factor * w);
    add(1.0, &[(left, (1.0 + 2.0 * t) * (1.0 - t).powi(2)), (right, t * t * (3.0 - 2.0 * t))]);
    add(step * t * (1.0 - t).powi(2), &slope(x, left));
    add(step * t * t * (t - 1.0), &slope(x, right));
    let value = weights.iter().zip(y).map(|(weight, y)| weight * y).sum();
    let line = y[left] + t * (y[right] - y[left]);
    Some(Between { value, bend: value - line, weights })
}

/// The slope at a point as weights of points: of the parabola through it and its neighbours, at an end through the
/// three points there, of two points of the line.
fn slope(x: &[f64], at: usize) -> Vec<(usize, f64)> {
    let last = x.len() - 1;
    if last == 1 {
        let inverse = 1.0 / (x[1] - x[0]);
        return vec![(0, -inverse), (1, inverse)];
    }
    let middle = at.clamp(1, last - 1);
    let [a, b, c] = [x[middle - 1], x[middle], x[middle + 1]];
    let place = x[at];
    // The derivative of Lagrange's polynomials of second degree.
    let of = |own: f64, p: f64, q: f64| (2.0 * place - p - q) / ((own - p) * (own - q));
    vec![(middle - 1, of(a, b, c)), (middle, of(b, a, c)), (middle + 1, of(c, a, b))]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_met_and_two_points_have_a_line() {
        let (x, y) = ([0.0, 0.3, 1.1, 2.0, 2.2], [1.0, -2.0, 0.5, 0.5, 3.0]);
        for (x_k, y_k) in x.iter().zip(&y) {
            let found = between(&x, &y, *x_k).unwrap();
            assert!((found.value - y_k).abs() < 1e-12 && found.bend.abs() < 1e-12);
        }
        let line = between(&[1.0, 3.0], &[2.0, 6.0], 1.5).unwrap();
        assert!((line.value - 3.0).abs() < 1e-12 && line.bend.abs() < 1e-12);
        assert!(between(&x, &y, -0.1).is_none() && between(&x, &y, f64::NAN).is_none());
        assert!(between(&[1.0], &[1.0], 1.0).is_none());
    }

    #[test]
    fn any_parabola_is_met_at_uneven_places_and_weights_sum_to_one() {
        let x = [0.0, 0.3, 1.1, 2.0, 2.2];
        let parabola = |x: f64| 3.0 - 2.0 * x + 0.7 * x * x;
        let y = x.map(parabola);
        for k in 0..=22 {
            let place = f64::from(k) / 10.0;
            let found = between(&x, &y, place).unwrap();
            assert!((found.value - parabola(place)).abs() < 1e-12);
            assert!((found.weights.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        }
    }
}
