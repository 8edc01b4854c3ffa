//! The channels added up by role, in one pass.

use super::Group;
use super::channel::{Channel, Condition};
use crate::clock::Uptime;
use crate::fault::ChannelFault;
use crate::quantity::{Celsius, Kelvins};
use crate::rtd::ROUNDING;
use crate::settings::Role;

/// At or above these the heater is cut out.
#[derive(Clone, Copy, Debug, Hash)]
pub(super) struct Cutouts {
    /// For cells and the air.
    pub(super) cell: Celsius,
    pub(super) pad: Celsius,
}

impl Cutouts {
    /// Nothing for a role without temperatures.
    pub(super) const fn of(self, role: Role) -> Option<Celsius> {
        match role {
            Role::Cell | Role::Ambient => Some(self.cell),
            Role::Pad => Some(self.pad),
            Role::Check(_) => None,
        }
    }
}

/// The channels of one role, added up.
#[derive(Clone, Copy)]
pub(super) struct Roll {
    /// The outer ends of the ranges of the good channels.
    pub(super) coldest: Celsius,
    hottest: Celsius,
    starting: bool,
    pub(super) doubt: Option<ChannelFault>,
}

impl Roll {
    /// How far apart the good channels may lie; negative while there are none.
    fn spread(&self) -> Kelvins {
        self.hottest.above(self.coldest)
    }

    /// For channels without temperatures.
    pub(super) fn standing(&self) -> Group {
        match *self {
            Self { doubt: Some(fault), .. } => Group::Doubtful(fault),
            Self { starting: true, .. } => Group::Starting,
            _ => Group::Absent,
        }
    }

    pub(super) fn group(&self) -> Group {
        match *self {
            Self { doubt: Some(fault), .. } => Group::Doubtful(fault),
            Self { starting: true, .. } => Group::Starting,
            Self { coldest, hottest, .. } if coldest <= hottest => {
                Group::Good { coldest: coldest.lowered(ROUNDING), hottest: hottest.raised(ROUNDING) }
            }
            _ => Group::Absent,
        }
    }
}

/// All channels, added up by role in one pass.
#[derive(Clone, Copy)]
pub(super) struct Rolls {
    pub(super) cells: Roll,
    pub(super) pads: Roll,
    ambients: Roll,
    pub(super) checks: Roll,
    /// The lowest reading of a cell that is not good, and how far the hottest channel that is not good lies above its
    /// cut-out. Both may be true: a cold cell must soak, a hot place cuts the heater out.
    pub(super) doubtful_coldest: Celsius,
    doubtful_above_cutout: Kelvins,
    pub(super) a_jump_lasts: bool,
}

impl Rolls {
    #[inline]
    pub(super) fn new() -> Self {
        let empty = Roll { coldest: Celsius::MAX, hottest: Celsius::MIN, starting: false, doubt: None };
        Self {
            cells: empty,
            pads: empty,
            ambients: empty,
            checks: empty,
            doubtful_coldest: Celsius::MAX,
            doubtful_above_cutout: Celsius::MIN.above(Celsius::MAX),
            a_jump_lasts: false,
        }
    }

    #[inline]
    pub(super) fn of(&mut self, role: Role) -> &mut Roll {
        match role {
            Role::Cell => &mut self.cells,
            Role::Pad => &mut self.pads,
            Role::Ambient => &mut self.ambients,
            Role::Check(_) => &mut self.checks,
        }
    }

    #[inline]
    pub(super) fn include(&mut self, now: Uptime, channel: &Channel, cutouts: Cutouts) {
        if matches!(channel.condition, Condition::Good) {
            let (low, high) = channel.range(now);
            let roll = self.of(channel.role);
            roll.coldest = roll.coldest.min(low);
            roll.hottest = roll.hottest.max(high);
        } else {
            self.include_doubtful(now, channel, cutouts);
        }
    }

    #[cold]
    fn include_doubtful(&mut self, now: Uptime, channel: &Channel, cutouts: Cutouts) {
        self.a_jump_lasts |= channel.jump.is_some_and(|jump| jump.lasts);
        let roll = self.of(channel.role);
        match channel.condition {
            Condition::Doubtful(fault) => roll.doubt = roll.doubt.or(Some(fault)),
            Condition::Starting => roll.starting = true,
            Condition::Good => {}
        }
        let (Some((low, high)), Some(cutout)) = (channel.shown_doubtful(now), cutouts.of(channel.role)) else { return };
        if channel.role == Role::Cell {
            self.doubtful_coldest = self.doubtful_coldest.min(low);
        }
        self.doubtful_above_cutout = self.doubtful_above_cutout.max(high.above(cutout));
    }

    pub(super) fn have_doubt(&self) -> bool {
        self.cells.doubt.is_some()
            || self.pads.doubt.is_some()
            || self.ambients.doubt.is_some()
            || self.checks.doubt.is_some()
    }

    pub(super) fn widest(&self) -> Kelvins {
        self.cells.spread().max(self.pads.spread()).max(self.ambients.spread())
    }

    pub(super) fn above_cutout(&self, cutouts: Cutouts) -> Kelvins {
        let by_cell = self.cells.hottest.max(self.ambients.hottest).above(cutouts.cell);
        by_cell.max(self.pads.hottest.above(cutouts.pad)).max(self.doubtful_above_cutout).plus(ROUNDING)
    }
}
