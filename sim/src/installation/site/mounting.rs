//! What `[[channel]]` says apart from the settings: where the element sits, how good it is, how it is cabled.

use super::point;
use super::table::Key;
use crate::class::Class;
use crate::conductor::ohm_per_m_20c;
use crate::diagnostic::Severity;
use crate::installation::document::Section;
use crate::installation::values::Reader;
use crate::platinum::ohms;
use crate::site::{Battery, LoopFrom, Mounting, ShareFrom, Spot};
use forewarm_core::rtd::Leads;
use forewarm_core::settings::{Channel, Key as Setting, Place as SettingPlace, Role, Settings};

/// Where an element sits, before it is known on which battery.
#[derive(Clone, Copy, PartialEq, Eq)]
enum At {
    Plate,
    Base,
    Between,
    Top,
    Side,
    End,
    Bottom,
    Terminal,
    Point,
    Air,
}

impl At {
    const fn is_on_a_battery(self) -> bool {
        match self {
            Self::Base
            | Self::Between
            | Self::Top
            | Self::Side
            | Self::End
            | Self::Bottom
            | Self::Terminal
            | Self::Point => true,
            Self::Plate | Self::Air => false,
        }
    }
}

/// What is known of the row of batteries that thermometers sit on.
#[derive(Clone, Copy)]
pub(super) struct Row<'b> {
    /// How many there are, if that is known.
    pub(super) count: Option<usize>,
    /// One of them, if its measures are known.
    pub(super) case: Option<&'b Battery>,
}

/// Reads how each channel is mounted.
pub(super) fn read<'t>(
    reader: &mut Reader<'t>,
    sections: &mut [Section<'t>],
    settings: &Settings,
    row: Row,
) -> Vec<Mounting> {
    sections
        .iter_mut()
        .zip(&settings.channels)
        .enumerate()
        .map(|(index, (section, channel))| {
            let mounting = mounting(reader, section, channel, row);
            leads(reader, section, channel, index, &mounting);
            mounting
        })
        .collect()
}

fn mounting<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, channel: &Channel, row: Row) -> Mounting {
    if let Role::Check(_) = channel.role {
        // It is no thermometer. Nobody reads these values, which are those of a thermometer in the air.
        return Mounting {
            at: Spot::Air,
            r0_ohm: ohms(channel.element.r0()),
            class: Class::B,
            calibrated_k: None,
            cable_m: 0.0,
            cable_mm2: 0.5,
            loop_ohm_20c: 0.0,
            loop_from: LoopFrom::Cable,
            lag_s: 20.0,
            self_heating_k_per_mw: 0.2,
            air_share: 0.0,
            air_share_from: ShareFrom::Default,
        };
    }
    let classes = Class::ALL.map(|class| (class.name(), class));
    let (cable_m, cable_mm2) = (reader.real(section, Key::SensorCable), reader.real(section, Key::SensorArea));
    let is_stated = section.has("cable_m") && section.has("cable_mm2");
    let cable_ohm = 2.0 * cable_m * ohm_per_m_20c(cable_mm2);
    let (loop_ohm_20c, loop_from) = match channel.leads {
        // A measurement counts for more than the resistance that a cable of that size should have.
        Leads::TwoWire { loop_at_20c, .. } if loop_at_20c.as_micro_ohms() > 0 => {
            (ohms(loop_at_20c), LoopFrom::Measured { cable_ohm: is_stated.then_some(cable_ohm) })
        }
        Leads::TwoWire { .. } | Leads::ThreeWire { .. } | Leads::FourWire => (cable_ohm, LoopFrom::Cable),
    };
    let at = spot(reader, section, channel.role, row);
    let (air_share, air_share_from) = air_share(reader, section, at);
    Mounting {
        at,
        r0_ohm: ohms(channel.element.r0()),
        class: reader.word(section, "class", &classes).ok().flatten().unwrap_or(Class::B),
        calibrated_k: reader.given(section, Key::Calibrated),
        cable_m,
        cable_mm2,
        loop_ohm_20c,
        loop_from,
        lag_s: reader.real(section, Key::Lag),
        self_heating_k_per_mw: reader.real(section, Key::SelfHeating),
        air_share,
        air_share_from,
    }
}

/// The part of the air that the element sees, and the source of that number.
fn air_share<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, at: Spot) -> (f64, ShareFrom) {
    let is_stated = section.has("air_share_pct");
    let share = reader.real(section, Key::AirShare);
    if !is_stated {
        return (share, ShareFrom::Default);
    }
    let place = section.place("air_share_pct");
    let span = section.key_span("air_share_pct");
    if at == Spot::Air {
        let message = format!("{place} does not go with a thermometer in the air: air is all that it sees");
        let remedy = "leave out air_share_pct; or at = \"top\", or wherever it is fixed";
        reader.findings.error(span.as_ref(), &place, message, remedy);
    } else if share > 0.0 && share < 0.01 && !reader.doubts_any(section, &[Key::AirShare]) {
        let written = share * 100.0;
        let message = format!("{place} is {} %, less than one part in a hundred", (written * 1e6).round() / 1e6);
        let why = "it is in percent; a share too small leaves out of the guard band what warm air does to the reading";
        let remedy = if written <= 0.5 {
            format!("air_share_pct = {}; or 0 for an embedded element", (written * 1e8).round() / 1e6)
        } else {
            "air_share_pct = 1 or more; or 0 for an embedded element".to_owned()
        };
        reader.findings.add(Severity::Warning, span.as_ref(), &place, message, Some(why), remedy);
    }
    (share, ShareFrom::File)
}

fn spot<'t>(reader: &mut Reader<'t>, section: &mut Section<'t>, role: Role, Row { count, case }: Row) -> Spot {
    let words = [
        ("plate", At::Plate),
        ("base", At::Base),
        ("between", At::Between),
        ("top", At::Top),
        ("side", At::Side),
        ("end", At::End),
        ("bottom", At::Bottom),
        ("terminal", At::Terminal),
        ("point", At::Point),
        ("air", At::Air),
    ];
    let said = reader.word(section, "at", &words).ok().flatten();
    let at = said.unwrap_or(match role {
        // One battery has no neighbour. Of the other places, the top is the farthest from the heater.
        Role::Cell if count == Some(1) => At::Top,
        Role::Cell => At::Between,
        Role::Pad => At::Plate,
        Role::Ambient | Role::Check(_) => At::Air,
    });
    let point = if at == At::Point {
        point::read(reader, section, case)
    } else {
        point::refuse(reader, section);
        [0.0; 3]
    };
    if section.has("role") {
        // A point in the joint reads what a thermometer beneath the battery reads.
        let in_the_joint = point[2] <= 0.0 && !reader.doubts_any(section, &[Key::PointUp]);
        let at = if at == At::Point && in_the_joint { At::Bottom } else { at };
        misplaced(reader, section, role, at, count);
    }
    if said == Some(At::Between) && count == Some(1) {
        let place = section.place("at");
        let message = format!("{place} is \"between\", and battery.count is 1: one battery has no neighbour");
        let remedy = "at = \"top\", \"side\", \"end\" or \"base\"; or battery.count as there are";
        reader.findings.error(section.key_span("at").as_ref(), &place, message, remedy);
    }
    let battery = reader.whole(section, Key::BatteryNumber) as usize;
    let place = section.place("battery");
    let span = section.key_span("battery");
    if span.is_some() && !at.is_on_a_battery() {
        let message = format!("{place} does not go with a thermometer that sits on no battery");
        let remedy = if count == Some(1) {
            "leave out battery; or at = \"top\", \"side\", \"end\", \"base\", \"terminal\" or \"point\""
        } else {
            "leave out battery; or at = \"top\", \"side\", \"end\", \"base\", \"between\", \"terminal\" or \"point\""
        };
        reader.findings.error(span.as_ref(), &place, message, remedy);
    } else if let Some(count) = count
        && battery > count
        && !reader.doubts_any(section, &[Key::BatteryNumber])
    {
        let message = format!("{place} is {battery}, and battery.count is {count}");
        let remedy = format!("battery = {count}, or battery.count as there are");
        reader.findings.error(span.as_ref(), &place, message, remedy);
    } else if let Some(count) = count
        && at == At::Side
        && 1 < battery
        && battery < count
        && !reader.doubts_any(section, &[Key::BatteryNumber])
    {
        let place = section.place("at");
        let message = format!(
            "{place} is \"side\", and battery {battery} of {count} has a neighbour on either side: no air reaches its long faces"
        );
        let remedy = format!("at = \"between\", \"end\" or \"top\"; or battery = 1 or {count}, the ends of the row");
        reader.findings.error(section.key_span("at").as_ref(), &place, message, remedy);
    }
    let index = battery.saturating_sub(1);
    match at {
        At::Plate => Spot::Plate,
        At::Base => Spot::Base(index),
        At::Between => Spot::Between(index),
        At::Top => Spot::Top(index),
        At::Side => Spot::Side(index),
        At::End => Spot::End(index),
        At::Bottom => Spot::Bottom(index),
        At::Terminal => Spot::Terminal(index),
        At::Point => Spot::Point(index, point),
        At::Air => Spot::Air,
    }
}

/// A thermometer whose place does not suit its role.
fn misplaced(reader: &mut Reader, section: &Section, role: Role, at: At, count: Option<usize>) {
    let (off_the_heater, to_plate, to_air) = if count == Some(1) {
        (
            "at = \"top\" or \"end\"",
            "at = \"top\" or \"end\"; or role = \"pad\"",
            "at = \"top\" or \"end\"; or role = \"ambient\"",
        )
    } else {
        (
            "at = \"between\", \"top\" or \"end\"",
            "at = \"between\", \"top\" or \"end\"; or role = \"pad\"",
            "at = \"between\", \"top\" or \"end\"; or role = \"ambient\"",
        )
    };
    let (what, why, remedy) = match (role, at) {
        (Role::Cell, At::Plate) => (
            "a cell channel at the plate",
            "the plate is warmer than any cell while it heats, so charge would be permitted to a bank that is cold inside",
            to_plate,
        ),
        (Role::Cell, At::Bottom) => (
            "a cell channel beneath a battery, above the heater",
            "there it reads the heater and not the cells: while it heats, charge would be permitted to a bank that is cold inside",
            off_the_heater,
        ),
        (Role::Cell, At::Air) => {
            ("a cell channel in the air", "air follows the heater and the weather hours before the cells do", to_air)
        }
        (
            Role::Pad,
            At::Base | At::Between | At::Top | At::Side | At::End | At::Bottom | At::Terminal | At::Point | At::Air,
        ) => (
            "a pad channel away from the plate",
            "its cut-out is for the hottest place, and that is the plate",
            "at = \"plate\"; or the role of the place it is at",
        ),
        (Role::Cell, At::Base | At::Between | At::Top | At::Side | At::End | At::Terminal | At::Point)
        | (Role::Pad, At::Plate)
        | (Role::Ambient | Role::Check(_), _) => return,
    };
    let place = section.place("at");
    let message = format!("{place} makes it {what}");
    reader.findings.add(Severity::Warning, section.key_span("at").as_ref(), &place, message, Some(why), remedy);
}

/// A measured lead resistance that is far from that of the stated cable.
fn leads(reader: &mut Reader, section: &Section, channel: &Channel, index: usize, mounting: &Mounting) {
    let place = SettingPlace::at(Setting::LeadLoop, index);
    let Leads::TwoWire { loop_at_20c, .. } = channel.leads else { return };
    if reader.doubts(place) || reader.doubts_any(section, &[Key::SensorCable, Key::SensorArea]) {
        return;
    }
    let loop_ohm = (ohms(loop_at_20c) * 1000.0).round() / 1000.0;
    let Some(cable_ohm) = mounting.loop_from.contradicted(loop_ohm) else { return };
    let place = place.to_string();
    let message = format!(
        "{place} is {loop_ohm} Ω, and two conductors of {} m and {} mm² have about {cable_ohm:.3} Ω",
        mounting.cable_m, mounting.cable_mm2
    );
    let why = "what is taken off too little reads warm, the dangerous way; what is taken off too much reads cold";
    let remedy = "lead_loop_ohm as measured with the far end bridged, at 20 °C; cable_m one way, not both";
    let span = section.key_span("lead_loop_ohm");
    reader.findings.add(Severity::Warning, span.as_ref(), &place, message, Some(why), remedy);
}
