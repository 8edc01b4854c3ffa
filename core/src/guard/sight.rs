//! What the channels show, in one word of flags.

/// What the channels show in this step: findings, or-ed over them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Sight(u16);

impl Sight {
    pub(super) const NOTHING: Self = Self(0);
    /// Something new to the last digit.
    pub(super) const MOVED: Self = Self(1);
    /// A cell channel, or the check resistor, is broken.
    pub(super) const CELL_BROKEN: Self = Self(1 << 1);
    /// A cell channel has not given its run of good readings.
    pub(super) const CELL_UNPROVEN: Self = Self(1 << 2);
    /// The controller doubts a cell channel or the check resistor.
    pub(super) const CELL_IS_TOLD: Self = Self(1 << 3);
    /// A pad channel is broken, or the controller doubts it.
    pub(super) const PAD_DOUBTED: Self = Self(1 << 4);
    pub(super) const COLD: Self = Self(1 << 5);
    pub(super) const TOO_HOT_TO_CHARGE: Self = Self(1 << 6);
    pub(super) const CUT_OUT: Self = Self(1 << 7);
    pub(super) const OVER_TEMPERATURE: Self = Self(1 << 8);
    /// A thermometer in the air does not show its cut-out or more.
    pub(super) const AIR_IS_COOL: Self = Self(1 << 9);

    pub(super) const FORBIDS_CHARGE: Self = Self::CELL_IS_TOLD.with(Self::TOO_HOT_TO_CHARGE);
    pub(super) const FORBIDS_HEAT: Self =
        Self::CELL_BROKEN.with(Self::CELL_IS_TOLD).with(Self::PAD_DOUBTED).with(Self::CUT_OUT);

    pub(super) const fn with(self, more: Self) -> Self {
        Self(self.0 | more.0)
    }

    pub(super) const fn with_if(self, is_seen: bool, more: Self) -> Self {
        if is_seen { self.with(more) } else { self }
    }

    pub(super) const fn has(self, any_of: Self) -> bool {
        self.0 & any_of.0 != 0
    }
}
