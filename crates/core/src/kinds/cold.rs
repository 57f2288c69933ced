//! Kinds of what happens in a store.

use super::string_enum;

string_enum!(/// What went wrong in a store.
ExcursionKind {
    /// Above the warm limit for longer than the grace time.
    TooWarm = "too_warm",
    /// Below the cold limit for longer than the grace time.
    TooCold = "too_cold",
    /// Nothing known for longer than the silence time.
    NoData = "no_data",
    /// A probe sent nothing but faults for longer than the silence time.
    ProbeFault = "probe_fault",
});

impl ExcursionKind {
    /// What people call it.
    #[must_use]
    pub const fn said(self) -> &'static str {
        match self {
            Self::TooWarm => "Warm spell",
            Self::TooCold => "Cold spell",
            Self::NoData => "Gap in the readings",
            Self::ProbeFault => "Probe fault",
        }
    }
}

string_enum!(/// What becomes of the food after an excursion. Writing it down does it: there is no need to enter it in the stock as well.
FoodOutcome {
    /// None was there.
    NoneThere = "none_there",
    /// It is kept in stock as it is.
    Kept = "kept",
    /// It is moved to another store.
    Moved = "moved",
    /// It is put on hold.
    Held = "held",
    /// It is wasted.
    Wasted = "wasted",
});

string_enum!(/// Where a warm spell stands. See [`crate::spell`].
SpellStanding {
    /// It lasts.
    Open = "open",
    /// It has ended; what becomes of a lot that was inside is not written down, or not countersigned.
    Undecided = "undecided",
    /// What became of every lot is written down and countersigned.
    Settled = "settled",
});

string_enum!(/// What a probe is held against.
ProbeCheckKind {
    /// Melting ice, which is 0 °C.
    IcePoint = "ice_point",
    /// Another thermometer.
    Comparison = "comparison",
});

string_enum!(/// What a recurring check is about.
CheckTopic {
    /// Cleaning.
    Cleaning = "cleaning",
    /// Pests.
    Pests = "pests",
    /// Illness of people.
    Illness = "illness",
    /// Water.
    Water = "water",
    /// The scale.
    Scale = "scale",
    /// A thermometer.
    Thermometer = "thermometer",
    /// Anything else.
    Other = "other",
});

string_enum!(/// How somebody is told.
Channel {
    /// By e-mail.
    Email = "email",
    /// By a signed webhook.
    Webhook = "webhook",
});

string_enum!(/// What a message tells.
NoticeKind {
    /// An excursion has begun.
    Began = "began",
    /// An excursion has ended.
    Ended = "ended",
    /// A check has left a probe doubtful.
    Doubtful = "doubtful",
});

string_enum!(/// Why a reading is a fault and not a temperature.
ReadingFault {
    /// 85 °C: what a common digital probe gives before its first conversion.
    PowerOnValue = "power_on_value",
    /// −127 °C: what a common driver gives for a probe that does not answer.
    Disconnected = "disconnected",
    /// Not a number.
    NotANumber = "not_a_number",
    /// Outside −55 to 125 °C.
    OutOfRange = "out_of_range",
});
