//! Secrets that the program makes itself.

/// 256 bits that nobody guesses, of the operating system's chance.
#[expect(clippy::disallowed_methods, reason = "the one place where a secret is made: it must not be an input")]
pub(crate) fn random_bytes() -> [u8; 32] {
    rand::random()
}
