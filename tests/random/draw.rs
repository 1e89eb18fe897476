//! Drawing parameters from a seed.

use evenbeat::demo::texture::Dice;

/// Draws one value after another; the same seed gives the same values.
pub struct Draw(Dice);

impl Draw {
    /// The draws of number `number` under `seed`.
    pub fn new(seed: u64, number: u64) -> Self {
        Self(Dice::new(scrambled(seed ^ scrambled(number))))
    }

    /// A whole number, both ends included.
    pub fn whole(&mut self, from: u64, to: u64) -> u64 {
        from + self.0.below(to - from + 1)
    }

    /// A real number between two.
    pub fn real(&mut self, from: f32, to: f32) -> f32 {
        from + (to - from) * self.0.below(1 << 24) as f32 / (1 << 24) as f32
    }

    /// A real number whose logarithm is even: as many small ones as large ones.
    pub fn scale(&mut self, from: f32, to: f32) -> f32 {
        self.real(from.ln(), to.ln()).exp()
    }

    /// Whether something happens that happens so often.
    pub fn chance(&mut self, share: f32) -> bool {
        self.real(0.0, 1.0) < share
    }

    /// One of several.
    pub fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.0.below(from.len() as u64) as usize]
    }

    /// One of several, each as often as its weight says.
    pub fn weighted<T: Copy>(&mut self, from: &[(u64, T)]) -> T {
        let mut place = self.0.below(from.iter().map(|(weight, _)| weight).sum());
        for &(weight, value) in from {
            match place.checked_sub(weight) {
                Some(rest) => place = rest,
                None => return value,
            }
        }
        unreachable!("the place lies below the sum of the weights")
    }

    /// The dice themselves, for what throws very many.
    pub fn dice(self) -> Dice {
        self.0
    }

    /// A seed for something that draws for itself.
    pub fn seed(&mut self) -> u64 {
        self.0.roll()
    }
}

/// Spreads a number over 64 bits (the finaliser of SplitMix64; Steele, Lea and Flood, OOPSLA 2014).
pub fn scrambled(number: u64) -> u64 {
    let mut z = number.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A number in 0 to 1 that belongs to a place.
pub fn speck(x: i64, y: i64, salt: u64) -> f32 {
    let place =
        (x as u64).wrapping_mul(0xA24B_AED4_963E_E407) ^ (y as u64).wrapping_mul(0x9FB2_1C65_1E98_DF25);
    (scrambled(place ^ salt) >> 40) as f32 / (1 << 24) as f32
}
