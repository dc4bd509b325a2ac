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
pub fn rank(mut candidates: Vec<Candidate>) -> Vec<Rank> {
    let mut roles: Vec<Role> = candidates.iter().map(|c| c.role).collect();
    roles.sort();
    roles.dedup();
    let mut ranks = Vec::with_capacity(candidates.len());
    for role in roles {
        let (own, others) = candidates.into_iter().partition(|candidate| candidate.role == role);
        rank_role(own, &mut ranks);
        candidates = others;
    }
    ranks
}

/// The interval that others must overlap to share a rank, and the rank.
struct Leader {
    low_db: f64,
    rank: usize,
}

fn rank_role(mut sorted: Vec<Candidate>, ranks: &mut Vec<Rank>) {
    sorted.sort_by(|a, b| b.total_db.total_cmp(&a.total_db).then_with(|| a.path.cmp(&b.path)));
    let mut leader: Option<Leader> = None;
    for (place, candidate) in sorted.into_iter().enumerate() {
        let high = candidate.ci95_db.map_or(candidate.total_db, |ci| ci[1]);
        let joined = leader.as_ref().filter(|leader| high >= leader.low_db).map(|leader| leader.rank);
        let rank = joined.unwrap_or(place + 1);
        if joined.is_none() {
            leader = Some(Leader { low_db: candidate.ci95_db.map_or(candidate.total_db, |ci| ci[0]), rank });
        } else if let Some(above) = ranks.last_mut() {
            above.tied = true;
        }
        ranks.push(Rank {
            path: candidate.path,
            role: candidate.role,
            total_db: candidate.total_db,
            ci95_db: candidate.ci95_db,
            rank,
            tied: joined.is_some(),
            mostly_floor: candidate.mostly_floor,
        });
    }
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
