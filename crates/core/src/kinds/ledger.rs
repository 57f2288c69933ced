//! Kinds of acts, lots and places.

use super::string_enum;

string_enum!(/// How a lot began.
LotOrigin {
    /// Weighed at harvest.
    Harvest = "harvest",
    /// In the fridge when the book was opened.
    Opening = "opening",
    /// Made by a packing.
    Packed = "packed",
    /// Came back from a stall.
    Stall = "stall",
});

string_enum!(/// A kind of place: where grams can be, come from or go to.
PlaceKind {
    /// A fruiting room: grams come from here by a weighing.
    Room = "room",
    /// Where the opening entry comes from.
    Opening = "opening",
    /// Where found grams come from.
    Found = "found",
    /// Passed through while lots are made into lots; empty after every act.
    Packing = "packing",
    /// A fridge.
    Fridge = "fridge",
    /// A shelf, for dried goods.
    Shelf = "shelf",
    /// A van.
    Van = "van",
    /// A market stall.
    Stall = "stall",
    /// A customer.
    Customer = "customer",
    /// Cut off.
    Trim = "trim",
    /// Thrown away.
    Waste = "waste",
    /// Given away, or tasted.
    Gift = "gift",
    /// Used up by a test.
    Test = "test",
    /// Weight lost as water.
    Water = "water",
    /// Eaten at home.
    Home = "home",
});

impl PlaceKind {
    /// Where stock is kept: fridge, shelf, van, stall.
    #[must_use]
    pub const fn holds_stock(self) -> bool {
        matches!(self, Self::Fridge | Self::Shelf | Self::Van | Self::Stall)
    }

    /// Where an order can be filled from.
    #[must_use]
    pub const fn sells(self) -> bool {
        matches!(self, Self::Fridge | Self::Shelf)
    }

    /// Where grams come from without having been anywhere.
    #[must_use]
    pub const fn is_source(self) -> bool {
        matches!(self, Self::Room | Self::Opening | Self::Found)
    }
}

string_enum!(/// What an act is. The migrations list which movements each may make.
ActKind {
    /// A weighing.
    Weighing = "weighing",
    /// The farm's opening entry.
    Opening = "opening",
    /// From one store to another.
    Transfer = "transfer",
    /// Thrown away.
    Waste = "waste",
    /// Given away.
    Gift = "gift",
    /// Used up by a test.
    Test = "test",
    /// Cut off.
    Trim = "trim",
    /// Eaten at home.
    Home = "home",
    /// The lot is finished: the rest is weight loss.
    Finish = "finish",
    /// A stock count.
    Count = "count",
    /// Lots made into lots.
    Packing = "packing",
    /// Sent out under a docket.
    Dispatch = "dispatch",
    /// Handed over.
    Delivery = "delivery",
    /// Came back from a customer.
    Return = "return",
    /// Taken to the stall.
    MarketOut = "market_out",
    /// The stall's day reckoned.
    MarketClose = "market_close",
    /// A week closed.
    WeekClose = "week_close",
    /// Takes back another act, whole.
    Reversal = "reversal",
});

impl ActKind {
    /// Whether an act of this kind can be taken back at all. What a market day took and sold is told as it was, and a closed week stays so.
    #[must_use]
    pub const fn is_reversible(self) -> bool {
        !matches!(self, Self::Reversal | Self::WeekClose | Self::MarketClose | Self::MarketOut)
    }

    /// The kind as a person says it, with its article.
    #[must_use]
    pub const fn said(self) -> &'static str {
        match self {
            Self::Weighing => "a weighing",
            Self::Opening => "an opening entry",
            Self::Transfer => "a move",
            Self::Waste => "a waste entry",
            Self::Gift => "a gift",
            Self::Test => "a sample",
            Self::Trim => "a trimming entry",
            Self::Home => "a home-use entry",
            Self::Finish => "the finish of a lot",
            Self::Count => "a stock count",
            Self::Packing => "a packing",
            Self::Dispatch => "a dispatch",
            Self::Delivery => "a delivery",
            Self::Return => "a return",
            Self::MarketOut => "a market load",
            Self::MarketClose => "a market day's cashing up",
            Self::WeekClose => "the close of a week",
            Self::Reversal => "an entry that takes another back",
        }
    }
}

string_enum!(/// Movements that a person writes down one by one.
MovementKind {
    /// From one store to another.
    Transfer = "transfer",
    /// Thrown away.
    Waste = "waste",
    /// Given away.
    Gift = "gift",
    /// Used up by a test.
    Test = "test",
    /// Cut off.
    Trim = "trim",
    /// Eaten at home.
    Home = "home",
});

string_enum!(/// Whether a batch's share of a weighing was weighed apart or reckoned.
Basis {
    /// Weighed apart.
    Measured = "measured",
    /// Shared by blocks in fruit.
    Shared = "shared",
});

string_enum!(/// What happened to a lot's standing.
LotEventKind {
    /// Held: nothing leaves but to waste or test.
    Hold = "hold",
    /// Released from hold.
    Release = "release",
    /// Finished.
    Finish = "finish",
});

string_enum!(/// What a trace starts from.
TraceKind {
    /// A lot.
    Lot = "lot",
    /// A batch.
    Batch = "batch",
    /// A sterilising or pasteurising run.
    Cook = "cook",
    /// A docket.
    Docket = "docket",
    /// A customer.
    Customer = "customer",
    /// A strain.
    Strain = "strain",
    /// A place at an instant.
    Place = "place",
});

string_enum!(/// Whether a recall is in earnest.
RecallKind {
    /// In earnest.
    Recall = "recall",
    /// A rehearsal, to see whether everybody is found in time.
    Rehearsal = "rehearsal",
});

string_enum!(/// How a customer was told of a recall.
ToldHow {
    /// By telephone.
    Telephone = "telephone",
    /// By e-mail.
    Email = "email",
    /// By letter.
    Letter = "letter",
    /// In person.
    InPerson = "in_person",
    /// By a notice, where nobody knows who bought it.
    Notice = "notice",
    /// Not at all: nobody answered, or it was entered by mistake.
    NotReached = "not_reached",
});

string_enum!(/// What labels are printed on.
LabelLayout {
    /// A roll of 58 mm, a label a page.
    Roll = "roll",
    /// A4 sheets of eight, with codes for scanners of lines.
    Sheet = "sheet",
});
