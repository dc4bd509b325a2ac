//! How do many captures rank? By the total in the range, with ties where the intervals overlap.

use serde::Serialize;

use crate::capture::Role;

/// What is ranked: one channel of one capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The capture.
    pub path: String,
    /// The channel's role.
    pub role: Role,
    /// The level of the total in the range.
    pub total_db: f64,
    /// Its 95 % interval, where the record gives one.
    pub ci95_db: Option<[f64; 2]>,
    /// Whether most of the range is likely the converter's own noise.
    pub mostly_floor: bool,
}

/// A place in a ranking.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rank {
    /// The capture.
    pub path: String,
    /// The channel's role.
    pub role: Role,
    /// The level of the total in the range.
    pub total_db: f64,
    /// Its 95 % interval, where the record gives one.
    pub ci95_db: Option<[f64; 2]>,
    /// The rank, 1 for the highest; captures that cannot be told apart share one.
    pub rank: usize,
    /// Whether the rank is shared.
    pub tied: bool,
    /// Whether most of the range is likely the converter's own noise, so that this is a rank of noise.
    pub mostly_floor: bool,
}

/// Ranks the candidates of each role from the highest total down.
///
/// A candidate whose interval overlaps that of the highest of the group above it joins the group.
pub fn rank(candidates: Vec<Candidate>) -> Vec<Rank> {
    let mut roles: Vec<Role> = candidates.iter().map(|c| c.role).collect();
    roles.sort();
    roles.dedup();
    roles.into_iter().flat_map(|role| rank_role(candidates.iter().filter(|c| c.role == role))).collect()
}

fn rank_role<'a>(candidates: impl Iterator<Item = &'a Candidate>) -> Vec<Rank> {
    let mut sorted: Vec<&Candidate> = candidates.collect();
    sorted.sort_by(|a, b| b.total_db.total_cmp(&a.total_db).then_with(|| a.path.cmp(&b.path)));
    let mut ranks: Vec<Rank> = Vec::with_capacity(sorted.len());
    let mut leader: Option<(&Candidate, usize)> = None;
    for (place, candidate) in sorted.into_iter().enumerate() {
        let joined = leader.filter(|(leader, _)| overlap(leader, candidate));
        let rank = joined.map_or(place + 1, |(_, rank)| rank);
        if joined.is_none() {
            leader = Some((candidate, rank));
        } else if let Some(above) = ranks.last_mut() {
            above.tied = true;
        }
        ranks.push(Rank {
            path: candidate.path.clone(),
            role: candidate.role,
            total_db: candidate.total_db,
            ci95_db: candidate.ci95_db,
            rank,
            tied: joined.is_some(),
            mostly_floor: candidate.mostly_floor,
        });
    }
    ranks
}

fn overlap(above: &Candidate, below: &Candidate) -> bool {
    let low = above.ci95_db.map_or(above.total_db, |ci| ci[0]);
    let high = below.ci95_db.map_or(below.total_db, |ci| ci[1]);
    high >= low
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overlapping_intervals_share_a_rank() {
        let candidate = |path: &str, total: f64, half: f64| Candidate {
            path: path.into(),
            role: Role::Wire,
            total_db: total,
            ci95_db: Some([total - half, total + half]),
            mostly_floor: false,
        };
        let ranks = rank(vec![
            candidate("c", 60.0, 0.5),
            candidate("a", 70.0, 1.0),
            candidate("b", 68.5, 1.0),
            candidate("d", 59.9, 0.5),
        ]);
        let seen: Vec<_> = ranks.iter().map(|r| (r.path.as_str(), r.rank, r.tied)).collect();
        assert_eq!(seen, [("a", 1, true), ("b", 1, true), ("c", 3, true), ("d", 3, true)]);
    }
}
