//! Deterministic texture: the same on every machine, so painted captures are the same bytes everywhere.

/// A small random generator (xorshift, 64 bit; G. Marsaglia, "Xorshift RNGs", Journal of Statistical
/// Software 8(14), 2003): enough for painting and for scattered stalls, not for anything secret.
#[derive(Clone, Debug)]
pub struct Dice(u64);

impl Dice {
    /// A generator whose sequence depends on `seed` alone.
    pub fn new(seed: u64) -> Self {
        // Any odd multiplier spreads small seeds; zero would be a fixed point of the recursion.
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// The next 64 bits.
    pub fn roll(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    /// A number in `0..limit`; 0 for a limit of 0.
    pub fn below(&mut self, limit: u64) -> u64 {
        if limit == 0 {
            return 0;
        }
        (self.roll() >> 11) % limit
    }
}

/// Sides of a texture in samples: powers of two, so that wrapping is a mask.
const SIDE: usize = 512;
/// Widths of the lattice cells of the octaves, in samples. The finest is four samples wide, so that moving
/// by parts of a pixel stays a smooth change.
const CELLS: [usize; 5] = [64, 32, 16, 8, 4];

/// A smooth, periodic picture of 512 × 512 samples in 0 to 255, sampled at any place.
#[derive(Clone, Debug)]
pub struct Texture {
    samples: Vec<f32>,
}

impl Texture {
    /// Paints the texture that belongs to `seed`: noise on lattices of several sizes, coarse ones strongest.
    pub fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let mut samples = vec![0.0_f32; SIDE * SIDE];
        let mut total = 0.0;
        for cell in CELLS {
            let weight = (cell as f32).powf(0.6);
            total += weight;
            add_octave(&mut samples, cell, weight, &mut dice);
        }
        // Sums of lattices crowd around the middle: stretch to use the range, as real pictures do.
        for sample in &mut samples {
            *sample = ((*sample / total - 0.5) * 1.9 + 0.5).clamp(0.0, 1.0) * 255.0;
        }
        Self { samples }
    }

    /// Value at a place in samples, 0 to 255; wraps at 512 in both directions, linear between samples.
    pub fn at(&self, x: f32, y: f32) -> f32 {
        let (column, row) = (x.floor(), y.floor());
        let (across, down) = (x - column, y - row);
        let left = (column as i64).rem_euclid(SIDE as i64) as usize;
        let top = (row as i64).rem_euclid(SIDE as i64) as usize;
        let (right, bottom) = ((left + 1) % SIDE, (top + 1) % SIDE);
        let pick = |x: usize, y: usize| self.samples[y * SIDE + x];
        let upper = pick(left, top) + (pick(right, top) - pick(left, top)) * across;
        let lower = pick(left, bottom) + (pick(right, bottom) - pick(left, bottom)) * across;
        upper + (lower - upper) * down
    }
}

/// Adds smooth noise with one random value per lattice cell.
fn add_octave(samples: &mut [f32], cell: usize, weight: f32, dice: &mut Dice) {
    let nodes = SIDE / cell;
    let lattice: Vec<f32> =
        (0..nodes * nodes).map(|_| dice.below(1 << 20) as f32 / (1 << 20) as f32).collect();
    let ease: Vec<f32> = (0..cell)
        .map(|step| {
            let t = step as f32 / cell as f32;
            t * t * (3.0 - 2.0 * t)
        })
        .collect();
    for (y, row) in samples.chunks_exact_mut(SIDE).enumerate() {
        let (top, down) = (y / cell * nodes, ease[y % cell]);
        let bottom = (y / cell + 1) % nodes * nodes;
        for (x, sample) in row.iter_mut().enumerate() {
            let (left, across) = (x / cell, ease[x % cell]);
            let right = (left + 1) % nodes;
            let upper = lattice[top + left] + (lattice[top + right] - lattice[top + left]) * across;
            let lower = lattice[bottom + left] + (lattice[bottom + right] - lattice[bottom + left]) * across;
            *sample += weight * (upper + (lower - upper) * down);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texture_wraps_and_uses_the_range() {
        let texture = Texture::new(7);
        for (x, y) in [(0.0, 0.0), (3.25, 100.5), (511.5, 511.5)] {
            assert_eq!(texture.at(x, y), texture.at(x + 512.0, y - 512.0));
        }
        let largest = texture.samples.iter().copied().fold(f32::MIN, f32::max);
        let smallest = texture.samples.iter().copied().fold(f32::MAX, f32::min);
        assert!(smallest >= 0.0 && largest <= 255.0 && largest - smallest > 150.0);
    }

    #[test]
    fn dice_follow_their_seed() {
        let rolls = |seed| (0..4).map(|_| 0).scan(Dice::new(seed), |d, _| Some(d.roll())).collect::<Vec<_>>();
        assert_eq!(rolls(3), rolls(3));
        assert_ne!(rolls(3), rolls(4));
        assert_eq!(Dice::new(1).below(0), 0);
    }
}
