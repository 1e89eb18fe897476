//! A font of five by seven dots, drawn for this clip: the same dots on every machine.

/// Dots of a letter across and down.
const DOTS: (usize, usize) = (5, 7);
/// Dots from one letter to the next.
pub(super) const ADVANCE: usize = DOTS.0 + 1;
/// Rows of dots.
pub(super) const HEIGHT: usize = DOTS.1;

/// Each letter with its rows from the top, highest of five bits at the left.
const LETTERS: &[(char, [u8; DOTS.1])] = &[
    ('A', [0b00100, 0b01010, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001]),
    ('B', [0b11110, 0b10001, 0b10001, 0b11110, 0b10001, 0b10001, 0b11110]),
    ('C', [0b01111, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b01111]),
    ('D', [0b11110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b11110]),
    ('E', [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b11111]),
    ('F', [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b10000]),
    ('G', [0b01111, 0b10000, 0b10000, 0b10011, 0b10001, 0b10001, 0b01111]),
    ('H', [0b10001, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001]),
    ('I', [0b01110, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110]),
    ('J', [0b00001, 0b00001, 0b00001, 0b00001, 0b00001, 0b10001, 0b01110]),
    ('K', [0b10001, 0b10010, 0b10100, 0b11000, 0b10100, 0b10010, 0b10001]),
    ('L', [0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b11111]),
    ('M', [0b10001, 0b11011, 0b10101, 0b10101, 0b10001, 0b10001, 0b10001]),
    ('N', [0b10001, 0b11001, 0b11001, 0b10101, 0b10011, 0b10011, 0b10001]),
    ('O', [0b01110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110]),
    ('P', [0b11110, 0b10001, 0b10001, 0b11110, 0b10000, 0b10000, 0b10000]),
    ('Q', [0b01110, 0b10001, 0b10001, 0b10001, 0b10101, 0b10010, 0b01101]),
    ('R', [0b11110, 0b10001, 0b10001, 0b11110, 0b10100, 0b10010, 0b10001]),
    ('S', [0b01111, 0b10000, 0b10000, 0b01110, 0b00001, 0b00001, 0b11110]),
    ('T', [0b11111, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100]),
    ('U', [0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110]),
    ('V', [0b10001, 0b10001, 0b10001, 0b10001, 0b01010, 0b01010, 0b00100]),
    ('W', [0b10001, 0b10001, 0b10001, 0b10101, 0b10101, 0b11011, 0b10001]),
    ('X', [0b10001, 0b10001, 0b01010, 0b00100, 0b01010, 0b10001, 0b10001]),
    ('Y', [0b10001, 0b10001, 0b01010, 0b00100, 0b00100, 0b00100, 0b00100]),
    ('Z', [0b11111, 0b00001, 0b00010, 0b00100, 0b01000, 0b10000, 0b11111]),
    ('0', [0b01110, 0b10001, 0b10001, 0b10101, 0b10001, 0b10001, 0b01110]),
    ('1', [0b00100, 0b01100, 0b10100, 0b00100, 0b00100, 0b00100, 0b11111]),
    ('2', [0b11110, 0b00001, 0b00001, 0b01110, 0b10000, 0b10000, 0b11111]),
    ('3', [0b11110, 0b00001, 0b00001, 0b01110, 0b00001, 0b00001, 0b11110]),
    ('4', [0b10010, 0b10010, 0b10010, 0b11111, 0b00010, 0b00010, 0b00010]),
    ('5', [0b11111, 0b10000, 0b10000, 0b11110, 0b00001, 0b00001, 0b11110]),
    ('6', [0b01110, 0b10000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110]),
    ('7', [0b11111, 0b00001, 0b00010, 0b00010, 0b00100, 0b00100, 0b00100]),
    ('8', [0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110]),
    ('9', [0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00001, 0b01110]),
    ('.', [0, 0, 0, 0, 0, 0b01100, 0b01100]),
    (',', [0, 0, 0, 0, 0b00110, 0b00110, 0b01100]),
    (':', [0, 0b01100, 0b01100, 0, 0b01100, 0b01100, 0]),
    ('/', [0b00001, 0b00001, 0b00010, 0b00100, 0b01000, 0b10000, 0b10000]),
    ('-', [0, 0, 0, 0b01110, 0, 0, 0]),
    (' ', [0; DOTS.1]),
];

/// Whether there is a dot in this row of the text, `across` dots from its left.
pub(super) fn dot(text: &str, across: usize, row: usize) -> bool {
    let letter = text.as_bytes().get(across / ADVANCE).map(|&byte| char::from(byte));
    let rows =
        letter.and_then(|letter| LETTERS.iter().find(|(known, _)| *known == letter)).map(|(_, rows)| rows);
    let column = across % ADVANCE;
    column < DOTS.0 && rows.is_some_and(|rows| rows[row] >> (DOTS.0 - 1 - column) & 1 == 1)
}

/// Whether every character of the text has a letter.
#[cfg(test)]
pub(super) fn can_write(text: &str) -> bool {
    text.chars().all(|character| LETTERS.iter().any(|(known, _)| *known == character))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_has_its_own_shape() {
        for (at, (letter, rows)) in LETTERS.iter().enumerate() {
            assert!(rows.iter().all(|row| *row < 1 << DOTS.0), "{letter}");
            assert!(LETTERS[..at].iter().all(|(other, shape)| other != letter && shape != rows), "{letter}");
        }
    }

    #[test]
    fn dots_follow_the_text() {
        // The upright of the second letter, and the gap before it.
        assert!(dot("LI", ADVANCE + 2, 3) && !dot("LI", ADVANCE - 1, 6) && dot("LI", 4, 6));
        assert!(!dot("LI", 2 * ADVANCE, 3), "past the end");
        assert!(can_write("PICTURE 07, 59.94 2:3 -/") && !can_write("é"));
    }
}
