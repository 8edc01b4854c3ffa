//! Arithmetic with one result on every processor and in a browser.
//!
//! Rust's `+`, `−`, `×`, `÷` and `sqrt` are exact everywhere. Two things of its libraries are not, and this crate does without them:
//!
//! - The standard library asks the platform for `exp`, `ln`, `sin` and the like. The crate `libm` computes them the same way everywhere.
//!   `sim/clippy.toml` holds this.
//! - nalgebra looks at the processor before it multiplies two matrices, and rounds accordingly. [`by_rows`] and [`symmetric_by_rows`]
//!   multiply them instead. A matrix times a vector and `tr_mul` round alike everywhere. A test of the finished command holds this
//!   (`sim/tests/portable.rs`).
//!
//! One difference is left: which of 0 and −0 is the `max` or `min` of the two. They compare equal, and [`json`](crate::json) prints them alike.

use nalgebra::{DMatrix, DMatrixViewMut};
use std::borrow::Cow;

/// `x x`.
#[must_use]
pub(crate) const fn squared(x: f64) -> f64 {
    x * x
}

/// Rows and columns of a tile, whose sums a processor keeps at hand.
const TILE: usize = 4;

/// Terms that are added to all tiles before the next: what holds so many stays in a near cache.
const TERMS: usize = 64;

/// `a bᵀ`: each row of `a` times each row of `b`. The terms of each sum are added one by one, in the order of the columns.
#[must_use]
pub(crate) fn by_rows(a: &DMatrix<f64>, b: &DMatrix<f64>) -> DMatrix<f64> {
    tiled(a, b, |_, _| true)
}

/// The same where `a bᵀ` is symmetric but for rounding, at half the work. The result is symmetric.
#[must_use]
pub(crate) fn symmetric_by_rows(a: &DMatrix<f64>, b: &DMatrix<f64>) -> DMatrix<f64> {
    let mut product = tiled(a, b, |row, column| row >= column);
    product.fill_upper_triangle_with_lower_triangle();
    product
}

/// `a bᵀ` in the tiles that are wanted, by their first row and column. Others are 0.
fn tiled(a: &DMatrix<f64>, b: &DMatrix<f64>, is_wanted: impl Fn(usize, usize) -> bool) -> DMatrix<f64> {
    assert_eq!(a.ncols(), b.ncols(), "rows of one length");
    let (rows, columns) = (a.nrows(), b.nrows());
    let (a, b) = (in_tiles(a), in_tiles(b));
    let mut product = DMatrix::zeros(a.nrows(), b.nrows());
    let terms = |of: &DMatrix<f64>| (TERMS * of.nrows()).max(1);
    for (some_a, some_b) in a.as_slice().chunks(terms(&a)).zip(b.as_slice().chunks(terms(&b))) {
        for column in (0..columns).step_by(TILE) {
            for row in (0..rows).step_by(TILE).filter(|row| is_wanted(*row, column)) {
                let of_rows = some_a.chunks_exact(a.nrows()).map(|term| &term[row..row + TILE]);
                let of_columns = some_b.chunks_exact(b.nrows()).map(|term| &term[column..column + TILE]);
                add(product.view_mut((row, column), (TILE, TILE)), of_rows.zip(of_columns));
            }
        }
    }
    product.resize(rows, columns, 0.0)
}

/// `matrix`, with rows of zeros to a whole number of tiles.
fn in_tiles(matrix: &DMatrix<f64>) -> Cow<'_, DMatrix<f64>> {
    let rows = matrix.nrows().next_multiple_of(TILE);
    if rows == matrix.nrows() { Cow::Borrowed(matrix) } else { Cow::Owned(matrix.clone().resize_vertically(rows, 0.0)) }
}

/// Adds each term to a tile: some rows of `a` times some rows of `b`.
fn add<'m>(mut tile: DMatrixViewMut<'_, f64>, terms: impl Iterator<Item = (&'m [f64], &'m [f64])>) {
    let mut sums = [[0.0; TILE]; TILE];
    for (sums, column) in sums.iter_mut().zip(tile.column_iter()) {
        sums.iter_mut().zip(&column).for_each(|(sum, value)| *sum = *value);
    }
    for (a, b) in terms {
        for (sums, b) in sums.iter_mut().zip(b) {
            sums.iter_mut().zip(a).for_each(|(sum, a)| *sum += a * b);
        }
    }
    for (sums, mut column) in sums.iter().zip(tile.column_iter_mut()) {
        column.iter_mut().zip(sums).for_each(|(value, sum)| *value = *sum);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::{RngExt, SeedableRng};
    use rand_pcg::Pcg64;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn a_product_is_the_sum_of_its_terms_in_their_order(rows in 0..11_usize, others in 0..11_usize, terms in 0..600_usize, seed: u64) {
            let mut random = Pcg64::seed_from_u64(seed);
            let mut drawn = |rows| DMatrix::from_fn(rows, terms, |_, _| random.random_range(-1.0..1.0));
            let (a, b) = (drawn(rows), drawn(others));
            let found = by_rows(&a, &b);
            let plain = DMatrix::from_fn(rows, others, |row, other| {
                (0..terms).fold(0.0, |sum, term| sum + a[(row, term)] * b[(other, term)])
            });
            prop_assert_eq!(&found, &plain);
            // Of a product that is symmetric to its last bit.
            prop_assert_eq!(symmetric_by_rows(&a, &a), by_rows(&a, &a));
            // Each term is below 1, and each addition rounds by at most half a step of the sum so far.
            let most = 600.0 * 600.0 * f64::EPSILON;
            prop_assert!((found - a * b.transpose()).iter().all(|off| off.abs() <= most));
        }
    }

    #[test]
    fn powers_of_ten_and_their_logarithms_are_whole() {
        // What figures are rounded to stands on it.
        for power in -15_i32..=15 {
            let decimal: f64 = format!("1e{power}").parse().unwrap();
            assert_eq!(libm::exp10(f64::from(power)).to_bits(), decimal.to_bits(), "{power}");
            assert_eq!(libm::log10(decimal).to_bits(), f64::from(power).to_bits(), "{power}");
        }
    }
}
