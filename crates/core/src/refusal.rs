//! Why something was refused, in the grower's words and without any thought of HTTP.

use std::fmt;

/// The stable kind of a refusal. The web crate gives each a type, a title and a status in one exhaustive match.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RefusalKind {
    /// A field holds something that cannot be.
    Invalid,
    /// There is no such thing on this farm.
    NotFound,
    /// Something with that code or name is there already.
    AlreadyThere,
    /// A place has not so many grams of the lot.
    NotEnough,
    /// The grams are promised to an order.
    SetAside,
    /// The lot or the batch is on hold.
    OnHold,
    /// The thing is finished, cancelled, sent or closed and takes no more of this.
    Closed,
    /// The act was reversed before.
    AlreadyReversed,
    /// What should be undone has moved on.
    NotReversible,
    /// Records are added to, never changed.
    RecordKept,
    /// Somebody else changed it since it was read.
    Stale,
    /// The change needs the version that was read.
    VersionNeeded,
    /// No price is known for the product on that day.
    PriceMissing,
    /// The key was used for another request.
    KeyReused,
    /// The first request with this key is still at work.
    InProgress,
    /// The answer held a secret and was shown once.
    ShownOnce,
    /// Nobody is signed in, or the token is not good.
    NotSignedIn,
    /// The role does not allow it.
    NotAllowed,
    /// It takes the person's own sign-in, and this is a shared phone or a machine.
    OwnSignIn,
    /// Too many tries; later again.
    TooMany,
}

impl RefusalKind {
    /// Every kind.
    pub const ALL: &'static [Self] = &[
        Self::Invalid,
        Self::NotFound,
        Self::AlreadyThere,
        Self::NotEnough,
        Self::SetAside,
        Self::OnHold,
        Self::Closed,
        Self::AlreadyReversed,
        Self::NotReversible,
        Self::RecordKept,
        Self::Stale,
        Self::VersionNeeded,
        Self::PriceMissing,
        Self::KeyReused,
        Self::InProgress,
        Self::ShownOnce,
        Self::NotSignedIn,
        Self::NotAllowed,
        Self::OwnSignIn,
        Self::TooMany,
    ];
}

/// One field that is to blame, as a JSON pointer (RFC 6901) into the body or the name of a query parameter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldError {
    /// Where: `/gross_g`, `/sources/0/flush`, `week`.
    pub pointer: String,
    /// What is wrong and what to do.
    pub detail: String,
}

/// A refusal: what happened, to which field, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The stable kind.
    pub kind: RefusalKind,
    /// One or two plain sentences.
    pub detail: String,
    /// The fields to blame, if fields are.
    pub faults: Vec<FieldError>,
}

impl Refusal {
    /// A refusal without a field.
    pub fn new(kind: RefusalKind, detail: impl Into<String>) -> Self {
        Self { kind, detail: detail.into(), faults: Vec::new() }
    }

    /// One field holds something that cannot be.
    pub fn field(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        let fault = FieldError { pointer: pointer.into(), detail: detail.into() };
        Self { kind: RefusalKind::Invalid, detail: fault.detail.clone(), faults: vec![fault] }
    }

    /// There is no such thing.
    pub fn not_found(what: &str, code: impl fmt::Display) -> Self {
        Self::new(RefusalKind::NotFound, format!("There is no {what} {code} on this farm."))
    }

    /// A lot is on hold.
    pub fn on_hold(lot: impl fmt::Display, reason: &str) -> Self {
        Self::new(
            RefusalKind::OnHold,
            format!(
                "Lot {lot} is on hold: {reason}. Until the owner releases it, it may be moved between stores, wasted or tested, and nothing else."
            ),
        )
    }

    /// The same refusal, blamed on a field of the body.
    #[must_use]
    pub fn at(mut self, pointer: impl Into<String>) -> Self {
        self.faults.push(FieldError { pointer: pointer.into(), detail: self.detail.clone() });
        self
    }

    /// Of a part of a larger body: its fields are found under `parent`, such as `/owner`.
    #[must_use]
    pub fn within(mut self, parent: &str) -> Self {
        self.faults.iter_mut().for_each(|fault| fault.pointer.insert_str(0, parent));
        self
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.detail)
    }
}

impl std::error::Error for Refusal {}

/// Collects every fault of a body, so that the answer names them all at once.
#[derive(Debug, Default)]
pub struct FieldErrors(Vec<FieldError>);

impl FieldErrors {
    /// Notes a fault unless `holds`.
    pub fn check(&mut self, holds: bool, pointer: impl Into<String>, detail: impl Into<String>) {
        if !holds {
            self.0.push(FieldError { pointer: pointer.into(), detail: detail.into() });
        }
    }

    /// Refuses if anything was noted.
    ///
    /// # Errors
    /// A refusal of kind [`RefusalKind::Invalid`] with every fault that was noted.
    pub fn done(self) -> Result<(), Refusal> {
        match self.0.as_slice() {
            [] => Ok(()),
            [only] => Err(Refusal { kind: RefusalKind::Invalid, detail: only.detail.clone(), faults: self.0 }),
            many => Err(Refusal {
                kind: RefusalKind::Invalid,
                detail: format!("Check {} entries.", many.len()),
                faults: self.0,
            }),
        }
    }
}
