//! Fewer points than samples, yet every extreme stays: an impulse of one sample must reach the picture.

use super::Point;

/// Thins points with rising `x`, already in pixels, so that every pixel column keeps its first, its lowest, its
/// highest and its last point, in their order. Points that are not finite end one piece and begin the next.
pub(super) fn thin(points: impl IntoIterator<Item = Point>) -> Vec<Vec<Point>> {
    thin_by(points, |x| x)
}

/// The same for points in any unit; `pixel` says where an `x` lies.
pub(super) fn thin_by(points: impl IntoIterator<Item = Point>, pixel: impl Fn(f64) -> f64) -> Vec<Vec<Point>> {
    let mut pieces = Vec::new();
    let mut piece = Vec::new();
    let mut column: Option<Column> = None;
    for point in points {
        if !(point.0.is_finite() && point.1.is_finite()) {
            finish(&mut column, &mut piece);
            if !piece.is_empty() {
                pieces.push(std::mem::take(&mut piece));
            }
            continue;
        }
        match &mut column {
            Some(open) if same_column(pixel(open.first.0), pixel(point.0)) => open.take(point),
            _ => {
                finish(&mut column, &mut piece);
                column = Some(Column::new(point));
            }
        }
    }
    finish(&mut column, &mut piece);
    if !piece.is_empty() {
        pieces.push(piece);
    }
    pieces
}

/// Thins spans `(x, low, high)` with rising `x` to one per pixel column: the lowest low and the highest high.
/// Spans that are not finite end one piece and begin the next.
pub(super) fn thin_spans(spans: impl IntoIterator<Item = (f64, f64, f64)>) -> Vec<Vec<(f64, f64, f64)>> {
    thin_spans_by(spans, |x| x)
}

/// The same for spans in any unit; `pixel` says where an `x` lies.
pub(super) fn thin_spans_by(
    spans: impl IntoIterator<Item = (f64, f64, f64)>,
    pixel: impl Fn(f64) -> f64,
) -> Vec<Vec<(f64, f64, f64)>> {
    let mut pieces: Vec<Vec<(f64, f64, f64)>> = Vec::new();
    let mut gap = true;
    for (x, a, b) in spans {
        if !(x.is_finite() && a.is_finite() && b.is_finite()) {
            gap = true;
            continue;
        }
        let (low, high) = (a.min(b), a.max(b));
        if gap {
            pieces.push(Vec::new());
            gap = false;
        }
        let Some(piece) = pieces.last_mut() else { continue };
        match piece.last_mut() {
            Some(last) if same_column(pixel(last.0), pixel(x)) => {
                last.1 = last.1.min(low);
                last.2 = last.2.max(high);
            }
            _ => piece.push((x, low, high)),
        }
    }
    pieces
}

fn same_column(a: f64, b: f64) -> bool {
    (a.floor() - b.floor()).abs() < 0.5
}

/// The points of one pixel column that are kept, each with its place in the order.
struct Column {
    first: Point,
    lowest: (usize, Point),
    highest: (usize, Point),
    last: (usize, Point),
}

impl Column {
    fn new(point: Point) -> Self {
        Self { first: point, lowest: (0, point), highest: (0, point), last: (0, point) }
    }

    fn take(&mut self, point: Point) {
        let place = self.last.0 + 1;
        if point.1 < self.lowest.1.1 {
            self.lowest = (place, point);
        }
        if point.1 > self.highest.1.1 {
            self.highest = (place, point);
        }
        self.last = (place, point);
    }
}

fn finish(column: &mut Option<Column>, piece: &mut Vec<Point>) {
    let Some(Column { first, lowest, highest, last }) = column.take() else { return };
    let (a, b) = if lowest.0 <= highest.0 { (lowest, highest) } else { (highest, lowest) };
    let mut kept = 0;
    piece.push(first);
    for (place, point) in [a, b, last] {
        if place > kept {
            piece.push(point);
            kept = place;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A seeded walk through all heights: xorshift, no library needed.
    fn noise(count: usize, columns: f64) -> Vec<Point> {
        let mut state = 0x9e37_79b9_7f4a_7c15_u64;
        (0..count)
            .map(|i| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                (i as f64 * columns / count as f64, (state >> 40) as f64)
            })
            .collect()
    }

    #[test]
    fn every_column_keeps_its_extremes_and_its_ends() {
        let points = noise(20_000, 97.0);
        let thinned = thin(points.iter().copied());
        assert_eq!(thinned.len(), 1);
        let thinned = &thinned[0];
        assert!(thinned.len() <= 4 * 97);
        assert!(thinned.windows(2).all(|w| w[0].0 < w[1].0), "the order stays");
        for column in 0..97 {
            let of = |all: &[Point]| -> Vec<Point> {
                all.iter().copied().filter(|p| p.0.floor() == f64::from(column)).collect()
            };
            let (all, kept) = (of(&points), of(thinned));
            let low = |p: &[Point]| p.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
            let high = |p: &[Point]| p.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
            assert_eq!((low(&all), high(&all)), (low(&kept), high(&kept)));
            assert_eq!((all.first(), all.last()), (kept.first(), kept.last()));
        }
    }

    #[test]
    fn one_impulse_among_a_million_samples_stays() {
        let points = (0..1_000_000).map(|i| (f64::from(i) / 1000.0, if i == 617_283 { 1.0 } else { 0.0 }));
        assert!(thin(points).concat().contains(&(617.283, 1.0)));
    }

    #[test]
    fn few_points_stay_as_they_are() {
        let points = vec![(0.0, 1.0), (1.0, 3.0), (2.0, 2.0)];
        assert_eq!(thin(points.clone()), vec![points]);
        assert!(thin([]).is_empty());
    }

    #[test]
    fn values_that_are_not_finite_leave_a_gap() {
        let points = [(0.0, 1.0), (1.0, f64::NAN), (2.0, 2.0), (3.0, f64::NEG_INFINITY), (4.0, 5.0)];
        assert_eq!(thin(points), vec![vec![(0.0, 1.0)], vec![(2.0, 2.0)], vec![(4.0, 5.0)]]);
        let spans = [(0.0, 1.0, 2.0), (1.0, f64::NAN, 1.0), (2.2, 5.0, 4.0), (2.8, 3.0, 4.5)];
        assert_eq!(thin_spans(spans), vec![vec![(0.0, 1.0, 2.0)], vec![(2.2, 3.0, 5.0)]]);
    }
}
