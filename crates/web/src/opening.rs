//! The first farm is opened by whoever can read what the program prints at its start.

use std::sync::{Mutex, PoisonError};

use gillbook_core::refusal::{Refusal, RefusalKind};
use gillbook_store::{farm::farms::NewFarm, secret::one_time_code};

use crate::{App, problem::Problem, sign_in::Origin};

/// The code that opens a farm, until it has.
#[derive(Debug, Default)]
pub(crate) struct Opening(Mutex<Option<String>>);

/// What of a code counts: letters and digits.
fn plain(code: &str) -> String {
    code.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect()
}

impl Opening {
    fn set(&self, code: Option<String>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = code;
    }

    /// Takes the code away if it is the one that was typed, so that of two who type it at once one opens a farm.
    fn take(&self, typed: &str) -> Option<String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take_if(|code| plain(code) == plain(typed))
    }
}

impl App {
    /// Offers to open a farm at `/opening` to whoever types the code that is returned. It lasts until a farm is open or the program stops.
    #[must_use]
    pub fn offer_opening(&self) -> String {
        let code = one_time_code();
        self.opening.set(Some(code.clone()));
        code
    }

    pub(crate) fn is_opening_offered(&self) -> bool {
        self.opening.0.lock().unwrap_or_else(PoisonError::into_inner).is_some()
    }

    /// Opens a farm, once.
    pub(crate) async fn open_farm(&self, origin: &Origin, code: &str, farm: &NewFarm) -> Result<(), Problem> {
        // No sign-in name has a space in it.
        if !self.tries.allow("opening code", origin, false) {
            return Err(Refusal::new(RefusalKind::TooMany, "Too many tries. Wait a minute, then try again.").into());
        }
        let Some(code) = self.opening.take(code) else {
            return Err(
                Refusal::field("/code", "That is not the code. Read it again where the program was started.").into()
            );
        };
        let opened = self.store.open_farm(farm, self.now()).await;
        if opened.is_err() {
            self.opening.set(Some(code));
        }
        Ok(opened.map(|_| ())?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_taken_once_however_it_is_typed() {
        let opening = Opening::default();
        assert_eq!(opening.take(""), None);
        opening.set(Some("K7QM-3XRA".into()));
        assert_eq!((opening.take(""), opening.take("K7QM3XRB")), (None, None));
        assert_eq!(opening.take(" k7qm 3xra").as_deref(), Some("K7QM-3XRA"));
        assert_eq!(opening.take("K7QM-3XRA"), None);
    }
}
