//! Counting: one plain pass over the columns, whatever is asked.

use std::collections::BTreeMap;

/// What was counted in one group.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Shots that were good.
    pub good: u64,
    /// Settled failures.
    pub failures: u64,
    /// Shots that are not settled.
    pub unresolved: u64,
}

/// One column to group by.
#[derive(Debug, Clone, Copy)]
pub enum Codes<'a> {
    /// Codes of things.
    Wide(&'a [u32]),
    /// Codes of bands and kinds.
    Narrow(&'a [u8]),
}

/// A column, how many codes it has, and which of them are wanted (all, if nothing is said).
#[derive(Debug, Clone)]
pub struct Dimension<'a> {
    /// The column.
    pub codes: Codes<'a>,
    /// All codes are below this.
    pub size: usize,
    /// Where codes stand for one and the same name, or are not wanted: what each counts as, if at all.
    pub counts_as: Option<Vec<Option<u32>>>,
}

/// Rows taken at a time: the index of a block stays in the first cache.
const BLOCK: usize = 2_048;

/// Up to how many groups are counted in a table; beyond, in a map.
const MOST_CELLS: usize = 1 << 20;

/// A place in the index that is not counted.
const SKIP: u32 = u32::MAX;

/// Counts the classes of each combination of codes; combinations without a counted shot are left out.
///
/// `classes` and all columns have one row a shot. The result is ordered by the codes.
#[must_use]
pub fn count_by(dimensions: &[Dimension<'_>], classes: &[u8]) -> Vec<(Vec<u32>, Counts)> {
    let cells = dimensions.iter().try_fold(1_usize, |n, d| n.checked_mul(d.size.max(1)).filter(|n| *n <= MOST_CELLS));
    match cells {
        Some(cells) => in_table(dimensions, classes, cells),
        None => in_map(dimensions, classes),
    }
}

/// Adds one dimension to the index of a block of rows; `skipping` where an earlier one may have left rows out.
fn extend(index: &mut [u32], dimension: &Dimension<'_>, from: usize, skipping: bool) {
    match dimension.codes {
        Codes::Wide(codes) => extend_by(index, dimension, codes.get(from..).unwrap_or_default(), skipping),
        Codes::Narrow(codes) => extend_by(index, dimension, codes.get(from..).unwrap_or_default(), skipping),
    }
}

fn extend_by<C: Copy + Into<u32>>(index: &mut [u32], dimension: &Dimension<'_>, codes: &[C], skipping: bool) {
    let size = dimension.size.max(1) as u32;
    let rows = index.iter_mut().zip(codes.iter().map(|c| (*c).into()));
    match &dimension.counts_as {
        None if !skipping => rows.for_each(|(i, code)| *i = *i * size + code),
        None => rows.for_each(|(i, code)| *i = step(*i, size, Some(code))),
        Some(as_code) => {
            rows.for_each(|(i, code)| *i = step(*i, size, as_code.get(code as usize).copied().flatten()));
        }
    }
}

fn step(index: u32, size: u32, code: Option<u32>) -> u32 {
    match code {
        Some(code) if index != SKIP => index * size + code,
        _ => SKIP,
    }
}

/// What the cells of an index stand for.
#[derive(Debug)]
pub(super) enum Keys {
    /// Places in a table of these sizes.
    Sizes(Vec<usize>),
    /// Numbers of these combinations.
    Listed(Vec<Vec<u32>>),
}

impl Keys {
    /// Returns the codes that a cell stands for.
    pub(super) fn of(&self, cell: u32) -> Option<Vec<u32>> {
        match self {
            Self::Sizes(sizes) => Some(split_by(cell as usize, sizes)),
            Self::Listed(keys) => keys.get(cell as usize).cloned(),
        }
    }
}

/// Returns the cell of each row, the largest number where the row is not counted, and what the cells stand for.
pub(super) fn index_rows(dimensions: &[Dimension<'_>], rows: usize) -> (Vec<u32>, Keys) {
    let sizes: Vec<usize> = dimensions.iter().map(|d| d.size.max(1)).collect();
    let cells = sizes.iter().try_fold(1_usize, |n, size| n.checked_mul(*size).filter(|n| *n <= MOST_CELLS));
    if cells.is_some() {
        let mut index = vec![0_u32; rows];
        let skipping = dimensions.iter().any(|d| d.counts_as.is_some());
        for dimension in dimensions {
            extend(&mut index, dimension, 0, skipping);
        }
        return (index, Keys::Sizes(sizes));
    }
    let mut known: BTreeMap<Vec<u32>, u32> = BTreeMap::new();
    let mut keys = Vec::new();
    let index = (0..rows)
        .map(|row| {
            let Some(codes) = dimensions.iter().map(|d| code_at(d, row)).collect::<Option<Vec<u32>>>() else {
                return SKIP;
            };
            *known.entry(codes).or_insert_with_key(|codes| {
                keys.push(codes.clone());
                keys.len() as u32 - 1
            })
        })
        .collect();
    (index, Keys::Listed(keys))
}

/// Returns what a row counts as in a dimension; none if it is not wanted.
fn code_at(dimension: &Dimension<'_>, row: usize) -> Option<u32> {
    let code = match dimension.codes {
        Codes::Wide(c) => c.get(row).copied(),
        Codes::Narrow(c) => c.get(row).copied().map(u32::from),
    }?;
    dimension.counts_as.as_ref().map_or(Some(code), |as_code| as_code.get(code as usize).copied().flatten())
}

fn in_table(dimensions: &[Dimension<'_>], classes: &[u8], cells: usize) -> Vec<(Vec<u32>, Counts)> {
    // Four counters a cell, one for each class; the first takes what is not counted.
    let mut table = vec![[0_u32; 4]; cells];
    let mut index = [0_u32; BLOCK];
    let skipping = dimensions.iter().any(|d| d.counts_as.is_some());
    for (block, classes) in classes.chunks(BLOCK).enumerate() {
        let index = &mut index[..classes.len()];
        index.fill(0);
        for dimension in dimensions {
            extend(index, dimension, block * BLOCK, skipping);
        }
        for (i, class) in index.iter().zip(classes) {
            if let Some(cell) = table.get_mut(*i as usize) {
                cell[usize::from(class & 3)] += 1;
            }
        }
    }
    let counted = table.into_iter().enumerate().filter(|(_, c)| c[1] + c[2] + c[3] > 0);
    counted.map(|(i, cell)| (split(i, dimensions), counts(cell))).collect()
}

fn split(index: usize, dimensions: &[Dimension<'_>]) -> Vec<u32> {
    split_by(index, &dimensions.iter().map(|d| d.size.max(1)).collect::<Vec<_>>())
}

fn split_by(mut index: usize, sizes: &[usize]) -> Vec<u32> {
    let mut codes: Vec<u32> = sizes
        .iter()
        .rev()
        .map(|size| {
            let code = index % size;
            index /= size;
            code as u32
        })
        .collect();
    codes.reverse();
    codes
}

fn counts(cell: [u32; 4]) -> Counts {
    let [_, good, failures, unresolved] = cell.map(u64::from);
    Counts { good, failures, unresolved }
}

fn in_map(dimensions: &[Dimension<'_>], classes: &[u8]) -> Vec<(Vec<u32>, Counts)> {
    let mut map: BTreeMap<Vec<u32>, [u32; 4]> = BTreeMap::new();
    for (row, class) in classes.iter().enumerate().filter(|(_, c)| **c & 3 != 0) {
        if let Some(codes) = dimensions.iter().map(|d| code_at(d, row)).collect::<Option<Vec<u32>>>() {
            map.entry(codes).or_default()[usize::from(class & 3)] += 1;
        }
    }
    map.into_iter().map(|(codes, cell)| (codes, counts(cell))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wide(codes: &[u32], size: usize) -> Dimension<'_> {
        Dimension { codes: Codes::Wide(codes), size, counts_as: None }
    }

    #[test]
    fn each_combination_is_counted_by_class() {
        let lots = [0, 1, 1, 1, 0];
        let wet = [0_u8, 1, 1, 0, 0];
        let classes = [1, 2, 3, 1, 0];
        let got =
            count_by(&[wide(&lots, 2), Dimension { codes: Codes::Narrow(&wet), size: 2, counts_as: None }], &classes);
        let of = |good, failures, unresolved| Counts { good, failures, unresolved };
        assert_eq!(got, [(vec![0, 0], of(1, 0, 0)), (vec![1, 0], of(1, 0, 0)), (vec![1, 1], of(0, 1, 1))]);
    }

    fn by_key(table: &[(Vec<u32>, Counts)]) -> Vec<Vec<u32>> {
        table.iter().map(|(codes, _)| codes.clone()).collect()
    }

    #[test]
    fn nothing_to_group_by_gives_one_line() {
        assert_eq!(count_by(&[], &[1, 1, 2]), [(vec![], Counts { good: 2, failures: 1, unresolved: 0 })]);
        assert_eq!(count_by(&[], &[]), []);
    }

    #[test]
    fn the_table_and_the_map_count_alike() {
        let n = 5_000_u32;
        let a: Vec<u32> = (0..n).map(|i| i * 7 % 13).collect();
        let b: Vec<u32> = (0..n).map(|i| i * 5 % 11).collect();
        let classes: Vec<u8> = (0..n).map(|i| (i % 4) as u8).collect();
        let mut wanted: Vec<Option<u32>> = (0..13).map(Some).collect();
        wanted[3] = None;
        wanted[4] = Some(5);
        let dims = [Dimension { codes: Codes::Wide(&a), size: 13, counts_as: Some(wanted) }, wide(&b, 11)];
        let table = in_table(&dims, &classes, 13 * 11);
        let (index, keys) = index_rows(&dims, classes.len());
        let cells: std::collections::BTreeSet<u32> = index.into_iter().filter(|cell| *cell != SKIP).collect();
        assert_eq!(cells.into_iter().filter_map(|c| keys.of(c)).collect::<Vec<_>>(), by_key(&table));
        assert_eq!(table, in_map(&dims, &classes));
        assert!(table.iter().all(|(codes, _)| codes[0] != 3 && codes[0] != 4));
    }
}
