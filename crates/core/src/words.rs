//! The closed sets of words that the ledger knows.

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord,
            serde::Serialize, utoipa::ToSchema, sqlx::Type,
        )]
        #[serde(rename_all = "snake_case")]
        #[sqlx(type_name = "text", rename_all = "snake_case")]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl $name {
            /// Every one, in order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word as it is stored and sent.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl std::str::FromStr for $name {
            type Err = String;
            fn from_str(word: &str) -> Result<Self, String> {
                Self::ALL.iter().copied().find(|w| w.as_str() == word)
                    .ok_or_else(|| format!("{word} is not one of: {}.", [$($word),+].join(", ")))
            }
        }

        // By the text and not as serde derives it: what is no text at all is then a mistake of this field, and not of the whole body.
        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let word = <std::borrow::Cow<'de, str> as serde::Deserialize>::deserialize(d)?;
                word.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}

pub(crate) use words;

words!(/// What a person may do. See the web crate's table of routes.
Role {
    /// Runs the farm: everything.
    Owner = "owner",
    /// Weighs, packs, counts.
    Picker = "picker",
    /// Takes crates and dockets out.
    Driver = "driver",
    /// Reads the records.
    Verifier = "verifier",
    /// Reads sales and weeks.
    Bookkeeper = "bookkeeper",
});

words!(/// What a machine's token may do.
Scope {
    /// Post the readings of its own probe, nothing else.
    Readings = "readings",
    /// Read what a bookkeeper may read.
    Read = "read",
});

words!(/// How a lot is packaged. It decides shelf life, and whether warmth is a matter of safety or of quality.
Packaging {
    /// Loose in an open crate.
    Open = "open",
    /// In a pack with visible holes.
    Vented = "vented",
    /// In a pack without holes.
    Sealed = "sealed",
});

words!(/// Fresh or dried.
Form {
    /// As harvested.
    Fresh = "fresh",
    /// Dried.
    Dried = "dried",
});

words!(/// How a lot began.
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

words!(/// A kind of place: where grams can be, come from or go to.
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

words!(/// What an act is. The migrations list which movements each may make.
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

words!(/// Movements that a person writes down one by one.
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

words!(/// Whether a batch's share of a weighing was weighed apart or reckoned.
Basis {
    /// Weighed apart.
    Measured = "measured",
    /// Shared by blocks in fruit.
    Shared = "shared",
});

words!(/// What happened to a lot's standing.
LotEventKind {
    /// Held: nothing leaves but to waste or test.
    Hold = "hold",
    /// Released from hold.
    Release = "release",
    /// Finished.
    Finish = "finish",
});

words!(/// What a room is for.
RoomKind {
    /// Spawn runs through the substrate.
    Incubation = "incubation",
    /// Mushrooms grow.
    Fruiting = "fruiting",
});

words!(/// How a cook was done.
CookMethod {
    /// Sterilised.
    Sterilised = "sterilised",
    /// Pasteurised.
    Pasteurised = "pasteurised",
});

words!(/// Where a batch's blocks came from.
BatchOrigin {
    /// Made here.
    Made = "made",
    /// Bought in.
    Bought = "bought",
    /// Stood in the rooms when the book was opened.
    Opening = "opening",
});

words!(/// Where blocks went.
BlockMove {
    /// Into a room.
    Moved = "moved",
    /// Sold as blocks.
    Sold = "sold",
    /// Finished and cleared out.
    Finished = "finished",
});

words!(/// Crate or liner.
CrateKind {
    /// A crate.
    Crate = "crate",
    /// A liner.
    Liner = "liner",
});

words!(/// A customer's kind, which is also the channel that earnings are told apart by.
CustomerKind {
    /// A restaurant.
    Restaurant = "restaurant",
    /// A shop.
    Shop = "shop",
    /// The people at a market stall.
    Market = "market",
    /// A wholesaler.
    Wholesale = "wholesale",
});

words!(/// What a price is for.
PriceUnit {
    /// A kilogram.
    Kg = "kg",
    /// A pack.
    Pack = "pack",
});

words!(/// Where an order stands.
OrderStatus {
    /// Being written.
    Draft = "draft",
    /// Promised.
    Confirmed = "confirmed",
    /// On its way.
    Dispatched = "dispatched",
    /// Handed over.
    Delivered = "delivered",
    /// Called off.
    Cancelled = "cancelled",
});

words!(/// A market day's state.
MarketDayStatus {
    /// The stall is out.
    Open = "open",
    /// Reckoned.
    Closed = "closed",
});

words!(/// What went wrong in a store.
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

words!(/// What becomes of the food after an excursion. Writing it down does it: there is no need to enter it in the stock as well.
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

words!(/// Where a warm spell stands. See [`crate::spell`].
SpellStanding {
    /// It lasts.
    Open = "open",
    /// It has ended; what becomes of a lot that was inside is not written down, or not countersigned.
    Undecided = "undecided",
    /// What became of every lot is written down and countersigned.
    Settled = "settled",
});

words!(/// What a probe is held against.
ProbeCheckKind {
    /// Melting ice, which is 0 °C.
    IcePoint = "ice_point",
    /// Another thermometer.
    Comparison = "comparison",
});

words!(/// What a recurring check is about.
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

words!(/// How somebody is told.
Channel {
    /// By e-mail.
    Email = "email",
    /// By a signed webhook.
    Webhook = "webhook",
});

words!(/// What a message tells.
NoticeKind {
    /// An excursion has begun.
    Began = "began",
    /// An excursion has ended.
    Ended = "ended",
    /// A check has left a probe doubtful.
    Doubtful = "doubtful",
});

words!(/// Why a reading is a fault and not a temperature.
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
