//! Secrets that the program makes itself, of which only hashes are stored: those of sessions, of devices, of tokens.

use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use sha2::{Digest, Sha256};

use crate::FarmId;

/// 256 bits that nobody guesses, of the operating system's chance.
#[expect(clippy::disallowed_methods, reason = "the one place where a secret is made: it must not be an input")]
pub(crate) fn random_bytes() -> [u8; 32] {
    rand::random()
}

/// Letters and digits of which none is taken for another.
const CODE_LETTERS: &[u8; 32] = b"23456789ABCDEFGHJKLMNPQRSTUVWXYZ";

/// A code of 40 bits to be typed once by hand: `K7QM-3XRA`. Good for as long as tries are counted.
#[must_use]
pub fn one_time_code() -> String {
    let letters = random_bytes().map(|byte| char::from(CODE_LETTERS[usize::from(byte) % CODE_LETTERS.len()]));
    let half = |from: usize| letters[from..from + 4].iter().collect::<String>();
    format!("{}-{}", half(0), half(4))
}

/// A secret that begins with the farm's number: `7.k3J…`. Only its hash is stored.
pub(crate) fn new_secret(farm: FarmId) -> (String, [u8; 32]) {
    let random = random_bytes();
    let secret = format!("{}.{}", farm.0, URL_SAFE_NO_PAD.encode(random));
    let hash = hash_secret(&secret);
    (secret, hash)
}

pub(crate) fn hash_secret(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

/// The farm that a secret belongs to, if it has the shape of one.
pub(crate) fn farm_of(secret: &str) -> Option<FarmId> {
    let (farm, rest) = secret.split_once('.')?;
    (rest.len() == 43).then_some(())?;
    farm.parse().ok().filter(|n| *n > 0).map(FarmId)
}
