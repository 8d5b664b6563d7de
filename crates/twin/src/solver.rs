//! Sparse linear solve with a pattern known in advance, over lanes.
//!
//! The matrix of the implicit level step has a positive diagonal that dominates its columns (an M-matrix: what leaves one
//! vessel enters another), so elimination needs no pivoting. The order is by minimum degree; the operations are listed once.

use crate::lanes::Lane;

/// Where an entry stands in the flat store of the matrix.
type Entry = u32;

/// A row below a pivot: `(row, entry (row, pivot), [(entry (row, j), entry (pivot, j))])`.
type RowBelow = (u32, Entry, Vec<(Entry, Entry)>);

#[derive(Clone, Debug)]
struct Pivot {
    row: u32,
    diagonal: Entry,
    /// Rows below.
    below: Vec<RowBelow>,
    /// Entries of the pivot's row to the right: `(column, entry)`.
    right: Vec<(u32, Entry)>,
}

/// Elimination plan for one pattern.
#[derive(Clone, Debug)]
pub struct Solver {
    n: usize,
    n_entries: usize,
    entry: Vec<Option<Entry>>,
    pivots: Vec<Pivot>,
}

impl Solver {
    /// Plans the elimination of an `n` by `n` matrix whose off-diagonal entries are coupled in `pairs` (both directions).
    pub fn new(n: usize, pairs: &[(usize, usize)]) -> Self {
        let mut present = vec![false; n * n];
        for i in 0..n {
            present[i * n + i] = true;
        }
        for &(a, b) in pairs {
            present[a * n + b] = true;
            present[b * n + a] = true;
        }
        let mut left: Vec<usize> = (0..n).collect();
        let mut order = vec![];
        let mut filled = present.clone();
        while !left.is_empty() {
            let degree = |&i: &usize, left: &[usize]| left.iter().filter(|&&j| filled[i * n + j]).count();
            let Some(at) = (0..left.len()).min_by_key(|&k| (degree(&left[k], &left), left[k])) else { break };
            let pivot = left.remove(at);
            let near: Vec<usize> = left.iter().copied().filter(|&j| filled[pivot * n + j]).collect();
            for &i in &near {
                for &j in &near {
                    filled[i * n + j] = true;
                }
            }
            order.push((pivot, near));
        }
        let mut entry = vec![None; n * n];
        let mut n_entries = 0;
        for (at, slot) in entry.iter_mut().enumerate() {
            if filled[at] {
                *slot = Some(n_entries as Entry);
                n_entries += 1;
            }
        }
        let get = |i: usize, j: usize| entry[i * n + j].unwrap_or(0);
        let pivots = order
            .iter()
            .map(|(p, near)| Pivot {
                row: *p as u32,
                diagonal: get(*p, *p),
                below: near
                    .iter()
                    .map(|&i| (i as u32, get(i, *p), near.iter().map(|&j| (get(i, j), get(*p, j))).collect()))
                    .collect(),
                right: near.iter().map(|&j| (j as u32, get(*p, j))).collect(),
            })
            .collect();
        Solver { n, n_entries, entry, pivots }
    }

    /// How many numbers the matrix store holds.
    pub fn n_entries(&self) -> usize {
        self.n_entries
    }

    /// Store position of entry `(i, j)`; None when it is not in the pattern.
    pub fn entry(&self, i: usize, j: usize) -> Option<usize> {
        self.entry[i * self.n + j].map(|e| e as usize)
    }

    /// Solves `a x = b`; `a` is destroyed and `b` becomes `x`.
    #[inline(always)]
    pub fn solve<const L: usize>(&self, a: &mut [Lane<L>], b: &mut [Lane<L>]) {
        for pivot in &self.pivots {
            let diagonal = a[pivot.diagonal as usize];
            let mut inverse = [0.0; L];
            for l in 0..L {
                inverse[l] = 1.0 / diagonal[l];
            }
            a[pivot.diagonal as usize] = inverse;
            let right_side = b[pivot.row as usize];
            for (row, under, pairs) in &pivot.below {
                let mut factor = a[*under as usize];
                for l in 0..L {
                    factor[l] *= inverse[l];
                }
                for &(target, source) in pairs {
                    let from = a[source as usize];
                    let to = &mut a[target as usize];
                    for l in 0..L {
                        to[l] -= factor[l] * from[l];
                    }
                }
                let to = &mut b[*row as usize];
                for l in 0..L {
                    to[l] -= factor[l] * right_side[l];
                }
            }
        }
        for pivot in self.pivots.iter().rev() {
            let mut sum = b[pivot.row as usize];
            for &(column, at) in &pivot.right {
                let (factor, known) = (a[at as usize], b[column as usize]);
                for l in 0..L {
                    sum[l] -= factor[l] * known[l];
                }
            }
            let inverse = a[pivot.diagonal as usize];
            for l in 0..L {
                sum[l] *= inverse[l];
            }
            b[pivot.row as usize] = sum;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Solver;

    #[test]
    fn solves_a_ring_with_a_spur() {
        let pairs = [(0, 1), (1, 2), (2, 3), (3, 0), (3, 4)];
        let solver = Solver::new(6, &pairs);
        let mut dense = [[0.0; 6]; 6];
        for (k, &(i, j)) in pairs.iter().enumerate() {
            dense[i][j] = -(1.0 + k as f64);
            dense[j][i] = -0.5 * (k as f64 + 2.0);
        }
        for (i, row) in dense.iter_mut().enumerate() {
            row[i] = 20.0 + i as f64;
        }
        let x = [1.0, -2.0, 3.0, 0.5, 7.0, -1.0];
        let mut a = vec![[0.0; 2]; solver.n_entries()];
        let mut b = vec![[0.0; 2]; 6];
        for i in 0..6 {
            for j in 0..6 {
                if let Some(at) = solver.entry(i, j) {
                    a[at] = [dense[i][j], 2.0 * dense[i][j]];
                } else {
                    assert_eq!(dense[i][j], 0.0);
                }
                b[i][0] += dense[i][j] * x[j];
                b[i][1] += dense[i][j] * x[j];
            }
        }
        solver.solve(&mut a, &mut b);
        for i in 0..6 {
            assert!((b[i][0] - x[i]).abs() < 1e-12 && (b[i][1] - 0.5 * x[i]).abs() < 1e-12);
        }
    }
}
