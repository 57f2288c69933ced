//! Who may authorise: the person whose own sign-in it is, and nobody by initials.

use crate::refusal::{Refusal, RefusalKind};

/// What a request was signed in with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignedWith {
    /// The sign-in of one person, on a phone or computer of their own.
    OwnSignIn,
    /// The sign-in of a phone that several people use.
    SharedPhone,
    /// A token, or the program itself.
    Machine,
}

impl SignedWith {
    /// Asks for the person's own sign-in. Initials on a request say who did a thing; they authorise nothing. `what` begins the sentence:
    /// "Releasing a hold".
    ///
    /// # Errors
    /// Refuses a shared phone and a machine.
    pub fn authorise(self, what: &str) -> Result<(), Refusal> {
        match self {
            Self::OwnSignIn => Ok(()),
            Self::SharedPhone | Self::Machine => Err(Refusal::new(
                RefusalKind::OwnSignIn,
                format!(
                    "{what} takes your own sign-in; initials on a shared phone do not authorise it. Sign in yourself, on your own phone or after signing out here."
                ),
            )),
        }
    }
}
