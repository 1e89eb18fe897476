//! The moving texture: a woven cloth with irregular threads, so that it is like itself nowhere else and its motion
//! can be told. Integers only.

use crate::demo::texture::Dice;

/// Seed of the irregularities: any number gives such a cloth.
const SEED: u64 = 11;
/// Nodes of irregularity along the cloth before it repeats.
const NODES_ALONG: usize = 32;
/// Stripes of the twill per turn of its direction.
const STRIPES_PER_TURN: usize = 4;
/// Lines of the picture per stripe of the twill.
const LINES_PER_STRIPE: usize = 54;
/// Narrowest stripe, pixels.
const STRIPE_MIN: usize = 8;
/// Share of the twill in the range of levels, in percent; the rest is irregularity.
const TWILL_PERCENT: usize = 45;

/// Levels of the cloth, 10 bit, row by row.
pub(super) struct Cloth {
    /// Columns after which it repeats.
    pub(super) period: usize,
    levels: Vec<u16>,
}

impl Cloth {
    /// Weaves `rows` rows for pictures of `height` lines, in levels from `darkest` to `brightest`.
    pub(super) fn new(height: usize, rows: usize, (darkest, brightest): (u16, u16)) -> Self {
        let stripe = (height / LINES_PER_STRIPE).max(STRIPE_MIN) / 2 * 2;
        let node = 2 * stripe;
        let period = node * NODES_ALONG;
        let mut dice = Dice::new(SEED);
        let nodes: Vec<usize> =
            (0..NODES_ALONG * (rows / node + 2)).map(|_| dice.below(1000) as usize).collect();
        let range = usize::from(brightest - darkest);
        let mut levels = Vec::with_capacity(period * rows);
        for y in 0..rows {
            for x in 0..period {
                let irregular = between_nodes(&nodes, node, (x, y));
                let mixed = twill(stripe, (x, y)) * TWILL_PERCENT + irregular * (100 - TWILL_PERCENT);
                levels.push(darkest + (mixed * range / 100_000) as u16);
            }
        }
        Self { period, levels }
    }

    /// One row over a whole period.
    pub(super) fn row(&self, row: usize) -> &[u16] {
        &self.levels[row * self.period..(row + 1) * self.period]
    }
}

/// Diagonal stripes that turn at even distances, 0 to 1000.
fn twill(stripe: usize, (x, y): (usize, usize)) -> usize {
    let turned = x / (STRIPES_PER_TURN * stripe) % 2 == 1;
    let along = if turned { x + (stripe - y % stripe) } else { x + y };
    let within = along % stripe;
    within.min(stripe - within) * 2000 / stripe
}

/// Linear between the nodes around a place, 0 to 1000.
fn between_nodes(nodes: &[usize], side: usize, (x, y): (usize, usize)) -> usize {
    let at = |column: usize, row: usize| nodes[row * NODES_ALONG + column % NODES_ALONG];
    let (column, row, across, down) = (x / side, y / side, x % side, y % side);
    let upper = at(column, row) * (side - across) + at(column + 1, row) * across;
    let lower = at(column, row + 1) * (side - across) + at(column + 1, row + 1) * across;
    (upper * (side - down) + lower * down) / (side * side)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cloth_keeps_to_its_levels_and_uses_them() {
        let cloth = Cloth::new(480, 88, (100, 300));
        let levels: Vec<u16> = (0..88).flat_map(|row| cloth.row(row).to_vec()).collect();
        let (low, high) = (*levels.iter().min().unwrap(), *levels.iter().max().unwrap());
        assert!((100..150).contains(&low) && (250..=300).contains(&high), "{low} {high}");
    }
}
