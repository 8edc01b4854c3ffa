//! What an installation file sets, on one page.

use super::Installation;
use crate::diagnostic::escaped;
use crate::fingerprint;
use crate::layout::{self, Side};
use crate::site::BankMeasured;
use forewarm_core::quantity::{Fraction, Millis, Milliwatts, Ohms};
use forewarm_core::rtd::{Element, Leads};
use forewarm_core::settings::{
    BankUse, Channel, ChargeCurrent, Check, Giving, Hold, Key, Place, Reserve, Role, Settings, Source, Thousandths,
};
use std::io::{self, Write};
use unicode_width::UnicodeWidthStr;

impl Installation {
    /// Writes the thresholds, the heater, the sources and the channels, with their units.
    ///
    /// # Errors
    /// Those of `out`; nothing else fails.
    pub fn write_summary(&self, out: &mut dyn Write) -> io::Result<()> {
        let settings = &self.settings;
        writeln!(out, "\n{}", escaped(&self.title))?;
        writeln!(out, "\nCharge")?;
        quantities(out, &charge(settings))?;
        writeln!(out, "\nHeater")?;
        quantities(out, &heater(settings))?;
        if let Some(fed) = self.site.as_ref().and_then(|site| site.feed_told(&self.sources)) {
            writeln!(out, "  {fed}")?;
        }
        writeln!(out, "\nSources")?;
        let sources: Vec<_> =
            self.sources.iter().zip(&settings.sources).map(|(name, source)| describe_source(name, source)).collect();
        columns(out, &sources, "none")?;
        for (name, obeys) in self.sources.iter().zip(&self.obeys) {
            if let Some(obeys) = obeys {
                writeln!(out, "  {} obeys the ceiling: {}", escaped(name), escaped(obeys))?;
            }
        }
        for (name, source) in self.sources.iter().zip(&settings.sources) {
            if let ChargeCurrent::InSteps { most, .. } = source.charge {
                let (name, most) = (escaped(name), Thousandths(most.as_milliamps().into()));
                writeln!(
                    out,
                    "  {name}: a normally open contact that closes for the full charge permit lets it give {most} A;"
                )?;
                writeln!(
                    out,
                    "    if that contact welds it gives {most} A wherever charge is permitted, and nothing here finds it"
                )?;
            }
        }
        writeln!(out, "  {}", bank(settings))?;
        if let Some(giving) = settings.giving {
            writeln!(out, "  {}", doubted(giving, self.bank_measured))?;
        }
        writeln!(out, "\nChannels")?;
        let channels: Vec<_> = self
            .channels
            .iter()
            .zip(&settings.channels)
            .map(|(name, channel)| describe_channel(name, channel))
            .collect();
        columns(out, &channels, "none")?;
        writeln!(out, "\nSettings fingerprint\n  {}\n  {}", fingerprint::of(settings), fingerprint::MEANING)?;
        writeln!(out, "\nThe battery maker's limits override every threshold here.")
    }
}

/// A label, a number and its unit.
struct Quantity {
    label: String,
    /// In thousandths of the unit.
    value: i64,
    unit: &'static str,
}

fn charge(settings: &Settings) -> Vec<Quantity> {
    let mut lines = vec![
        line(settings, "refused with the coldest cell at or below", Key::Inhibit),
        line(settings, "permitted again above", Key::Release),
        line(settings, "once that has held for", Key::Soak),
        line(settings, "refused with the hottest cell at or above", Key::HighLimit),
        line(settings, "permitted again below", Key::HighRelease),
        line(settings, "capacity", Key::Capacity),
        line(settings, "batteries in parallel", Key::Batteries),
    ];
    let spared = if settings.charge.batteries < 2 { "" } else { ", one battery gone" };
    for point in &settings.charge.ceiling {
        // 25 + 19 bits.
        let steps = i64::from(settings.charge.capacity.as_milliamp_hours())
            * i64::from(settings.charge.limit(point).as_steps());
        lines.push(Quantity {
            label: format!(
                "ceiling with the coldest cell at {} °C, {} C{spared}",
                Thousandths(point.at.as_millidegrees().into()),
                Thousandths(point.limit.as_per_mille().into())
            ),
            // To 10 mA: a limit is rounded to 1/65 536 of the capacity.
            value: (steps / 65_536 + 5) / 10 * 10,
            unit: "A",
        });
    }
    lines
}

fn heater(settings: &Settings) -> Vec<Quantity> {
    let nominal = Thousandths(settings.heater.nominal.as_millivolts().into());
    let mut lines = vec![
        line(settings, &format!("power at {nominal} V"), Key::HeaterPower),
        line(settings, "supply, lowest", Key::SupplyMin),
        line(settings, "supply, highest", Key::SupplyMax),
        line(settings, "stops with the coldest cell at or above", Key::HeaterStop),
        line(settings, "cut out with a cell or ambient channel at or above", Key::CutoutCell),
        line(settings, "cut out with a pad channel at or above", Key::CutoutPad),
    ];
    if settings.heater.hold == Hold::WhileCharging {
        lines.insert(3, line(settings, "while charging, starts at or below", Key::HeaterStart));
    }
    lines
}

fn line(settings: &Settings, label: &str, key: Key) -> Quantity {
    let value = settings.value(Place::of(key)).unwrap_or_default();
    Quantity { label: label.to_owned(), value, unit: key.fact().unit }
}

/// Labels to the left, numbers aligned at the decimal point, units after them.
fn quantities(out: &mut dyn Write, lines: &[Quantity]) -> io::Result<()> {
    let width = lines.iter().map(|line| line.label.width()).max().unwrap_or(0);
    for Quantity { label, value, unit } in lines {
        let number = Thousandths(*value).to_string();
        let (whole, part) =
            number.split_once('.').map_or((&*number, String::new()), |(whole, part)| (whole, format!(".{part}")));
        // A count has no unit.
        let label = layout::padded(label, width, Side::Left);
        let row = format!("  {label}  {whole:>6}{part:<4} {unit}");
        writeln!(out, "{}", row.trim_end())?;
    }
    Ok(())
}

/// Words in columns, each as wide as its widest.
fn columns(out: &mut dyn Write, rows: &[Vec<String>], nothing: &str) -> io::Result<()> {
    if rows.is_empty() {
        return writeln!(out, "  {nothing}");
    }
    layout::columns(rows, |_| Side::Left).iter().try_for_each(|line| writeln!(out, "{line}"))
}

fn describe_source(name: &str, source: &Source) -> Vec<String> {
    let watts = |power: Milliwatts| Thousandths(power.as_milliwatts().into());
    let seconds = |span: Millis| Thousandths(span.as_millis().into());
    vec![
        name.to_owned(),
        format!("up to {} W", watts(source.budget)),
        format!("priority {}", source.priority),
        format!("after {} s", seconds(source.settle)),
        match source.charge {
            ChargeCurrent::UpTo(most) => format!("charges with up to {} A", Thousandths(most.as_milliamps().into())),
            ChargeCurrent::InSteps { reduced, most } => format!(
                "charges with up to {} A, with the full permit {} A",
                Thousandths(reduced.as_milliamps().into()),
                Thousandths(most.as_milliamps().into())
            ),
            ChargeCurrent::Obeys => "charges with what the ceiling leaves".to_owned(),
        },
    ]
}

fn bank(settings: &Settings) -> String {
    let volts = |voltage: forewarm_core::quantity::Millivolts| Thousandths(voltage.as_millivolts().into());
    let percent = |part: Fraction| Thousandths(i64::from(part.as_per_mille()) * 100);
    let when = match settings.bank {
        BankUse::Never => return "the bank itself is never spent on heat".to_owned(),
        BankUse::WithSource(_) => "the bank makes up what a source lacks",
        BankUse::Always(_) => "the bank is spent whenever the cells are cold",
    };
    match settings.bank.reserve() {
        Some(Reserve::StateOfCharge { floor, resume }) => {
            format!("{when}, not at or below {} %, again at or above {} %", percent(floor), percent(resume))
        }
        Some(Reserve::Voltage { floor, resume, sag }) => format!(
            "{when}, not at or below {} V ({} V less while the heater runs), again at or above {} V",
            volts(floor),
            volts(sag),
            volts(resume)
        ),
        None => when.to_owned(),
    }
}

fn doubted(giving: Giving, measured: BankMeasured) -> String {
    let measured = match (measured.voltage, measured.charge) {
        (true, true) => "both are measured",
        (true, false) => "its voltage alone is measured, which shows a strong bank's fall late",
        (false, true) => "its charge alone is measured",
        (false, false) => "neither is measured, so heat is but trials of a minute",
    };
    format!(
        "where it may not be spent, a source under which it falls by {} V or {} % is doubted: {measured}",
        Thousandths(giving.fall.as_millivolts().into()),
        Thousandths(i64::from(giving.fall_charge.as_per_mille()) * 100)
    )
}

fn describe_channel(name: &str, channel: &Channel) -> Vec<String> {
    let ohms = |ohms: Ohms| Thousandths(i64::try_from((ohms.as_micro_ohms() + 500) / 1000).unwrap_or(i64::MAX));
    let role = match channel.role {
        Role::Check(Check { nominal, within }) => {
            let resistor = format!("{} Ω within {} Ω", ohms(nominal), ohms(within));
            let reference = format!("reference {} Ω", ohms(channel.reference));
            return vec![name.to_owned(), "check".to_owned(), resistor, String::new(), reference, String::new()];
        }
        Role::Cell => "cell",
        Role::Pad => "pad",
        Role::Ambient => "ambient",
    };
    let nominal = [("Pt100", Element::pt100()), ("Pt500", Element::pt500()), ("Pt1000", Element::pt1000())];
    let element = match nominal.into_iter().find(|(_, element)| *element == channel.element) {
        Some((name, _)) => name.to_owned(),
        None => format!("R0 {} Ω", ohms(channel.element.r0())),
    };
    let wiring = match channel.leads {
        Leads::TwoWire { loop_at_20c, at } => {
            let at = Thousandths(at.as_millidegrees().into());
            format!("2-wire, lead_loop_ohm {} Ω, used at {at} °C", ohms(loop_at_20c))
        }
        leads @ Leads::ThreeWire { .. } if leads == Leads::THREE_WIRE => "3-wire, lead not known".to_owned(),
        Leads::ThreeWire { least, most } => format!("3-wire, lead {} to {} Ω", ohms(least), ohms(most)),
        Leads::FourWire => "4-wire".to_owned(),
    };
    let reference = format!("reference {} Ω", ohms(channel.reference));
    let offset = match channel.offset.as_millikelvins() {
        0 => String::new(),
        offset => format!("offset {} K", Thousandths(offset.into())),
    };
    vec![name.to_owned(), role.to_owned(), element, wiring, reference, offset]
}
