//! A plan for a person to read.

use super::Plan;
use super::ceiling::{Ceiling, listed};
use super::circuit::Report;
use super::cutout;
use super::measurement::{Budget, Distribution, Evaluation};
use super::nearness::{Coldest, Nearness};
use super::sources::Source;
use super::thermal::{Figure, LayerReport, Thermal};
use super::thresholds::{ChannelError, Measurement};
use crate::diagnostic::escaped;
use crate::edit::Changed;
use crate::figures::{fixed, plain, raised_to, uncertain};
use crate::finding::{Finding, Severity};
use crate::fingerprint;
use crate::heater::Heater;
use crate::layout::{self, Side, write_wrapped as wrapped};
use anstyle::{AnsiColor, Style};
use std::fmt::Write as _;
use std::io::{self, Write};

impl Plan {
    /// Writes the verdict, then the figures behind it.
    ///
    /// # Errors
    /// The errors of `out`; nothing else fails.
    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{}", escaped(&self.title))?;
        heading(out, "Verdict")?;
        for finding in &self.findings {
            write_finding(out, finding)?;
        }
        write_thermal(out, &self.thermal)?;
        write_coldest(out, self)?;
        write_measurement(out, &self.measurement)?;
        write_ceiling(out, &self.ceiling)?;
        write_heater(out, &self.heater)?;
        match &self.circuit {
            Some(report) => write_circuit(out, report)?,
            None if self.is_mains => writeln!(out, "\n  A mains circuit: nothing of it is sized here.")?,
            None => writeln!(out, "\n  The file has no [circuit]: nothing is said of cable, fuse and relay.")?,
        }
        write_cutouts(out, &self.thermal_cutouts)?;
        write_sources(out, &self.sources)?;
        if let Some(name) = &self.heater_fed_by {
            writeln!(out, "\n  The heater hangs on {} alone.", escaped(name))?;
        }
        heading(out, "Settings fingerprint")?;
        writeln!(out, "  {}", self.settings_fingerprint)?;
        wrapped(out, "  ", fingerprint::MEANING)?;
        heading(out, "Cautions")?;
        for caution in self.cautions {
            wrapped(out, "  ", caution)?;
        }
        Ok(())
    }
}

fn heading(out: &mut dyn Write, text: &str) -> io::Result<()> {
    writeln!(out, "\n{text}")
}

fn write_finding(out: &mut dyn Write, finding: &Finding) -> io::Result<()> {
    let style = Style::new().bold().fg_color(Some(match finding.severity {
        Severity::Danger => AnsiColor::Red.into(),
        Severity::Change => AnsiColor::Yellow.into(),
        Severity::Fine => AnsiColor::Green.into(),
    }));
    write!(out, "  {style}{:<6}{style:#}", finding.severity.word())?;
    // The word of the severity is written already. Leave its width out of the first line, and indent the others by it.
    let mut text = Vec::new();
    wrapped(&mut text, &" ".repeat(10), &escaped(&finding.text))?;
    out.write_all(&text[8..])?;
    if let Some(change) = &finding.change {
        wrapped(out, "          change: ", &escaped(change))?;
    }
    write_checked(out, finding.checked.as_deref())
}

/// The single changes that were tried and help.
fn write_checked(out: &mut dyn Write, checked: Option<&[Vec<Changed>]>) -> io::Result<()> {
    match checked {
        None => Ok(()),
        Some([]) => wrapped(
            out,
            "          ",
            "No single change that was tried mends this and makes nothing else worse. `forewarm propose` looks for several together.",
        ),
        Some(changes) => {
            let one = |changed: &Vec<Changed>| changed.iter().map(Changed::written).collect::<Vec<_>>().join(", ");
            let all: Vec<String> = changes.iter().map(one).collect();
            wrapped(out, "          tried:  ", &escaped(&all.join("; or ")))
        }
    }
}

/// Rows in columns: the first column aligned left, the others right.
fn table(out: &mut dyn Write, rows: &[Vec<String>]) -> io::Result<()> {
    let side = |column| if column == 0 { Side::Left } else { Side::Right };
    layout::columns(rows, side).iter().try_for_each(|line| writeln!(out, "{line}"))
}

fn row<const N: usize>(cells: [&str; N]) -> Vec<String> {
    cells.map(str::to_owned).to_vec()
}

/// The power to hold at the design minimum, the box, and its surroundings.
fn write_holding(out: &mut dyn Write, thermal: &Thermal) -> io::Result<()> {
    let release = plain(thermal.release_c);
    let wind = match thermal.room {
        Some(_) => "without wind".to_owned(),
        None => format!("{} m/s of wind before shelter", plain(thermal.design_wind_m_s)),
    };
    heading(out, &format!("Holding at {}, {wind}", thermal.coldest()))?;
    let mut rows = vec![
        vec![format!("power that keeps the coldest place at {release} °C"), thermal.hold_w.text("W")],
        vec!["heater, nominal, with its tolerance".to_owned(), thermal.heater_w.text("W")],
        vec!["coldest place with the heater always on, without a cut-out".to_owned(), thermal.reaches_c.text("°C")],
        vec![format!("energy to hold it for a night of {} h", plain(thermal.night_h)), thermal.night_wh.text("Wh")],
        vec!["  as part of the bank".to_owned(), thermal.night_pct_of_bank.text("%")],
    ];
    if let Some(loss) = thermal.loss_w_per_k {
        rows.insert(
            1,
            vec![
                format!("  for each kelvin to the {}", if thermal.room.is_some() { "room" } else { "outside" }),
                loss.text("W/K"),
            ],
        );
    }
    table(out, &rows)?;
    write_walls(out, thermal)?;
    if let Some(room) = &thermal.room_text {
        writeln!(out)?;
        wrapped(out, "  ", room)?;
    }
    Ok(())
}

fn write_thermal(out: &mut dyn Write, thermal: &Thermal) -> io::Result<()> {
    let (coldest, release) = (plain(thermal.design_air_c), plain(thermal.release_c));
    write_holding(out, thermal)?;
    if !thermal.warm_ups.is_empty() {
        heading(
            out,
            &format!(
                "Warming up at {} W, in air that stays at the starting temperature",
                plain(thermal.heater_w.value)
            ),
        )?;
        let columns: Vec<String> =
            thermal.warm_ups.iter().map(|warm_up| format!("from {} °C", plain(warm_up.start_c))).collect();
        let mut rows = vec![[vec![String::new()], columns].concat()];
        let never = |figure: Option<Figure>| figure.map_or_else(|| "never".to_owned(), |figure| figure.text(""));
        let mut line = |label: &str, of: &dyn Fn(&super::thermal::WarmUpReport) -> String| {
            let cells = thermal.warm_ups.iter().map(of).collect();
            rows.push([vec![label.to_owned()], cells].concat());
        };
        line(&format!("every cell channel reads {release} °C after / h"), &|warm_up| never(warm_up.reads_released_h));
        line("the coldest place is as warm after / h", &|warm_up| {
            if warm_up.stops_first { "stops first".to_owned() } else { never(warm_up.coldest_place_h) }
        });
        line("  behind by / min", &|warm_up| warm_up.lag_h.map_or_else(|| "-".to_owned(), |lag| fixed(lag * 60.0, 0)));
        line("charge is permitted after / h", &|warm_up| never(warm_up.permitted_h));
        line("energy until then / Wh", &|warm_up| never(warm_up.energy_wh));
        line("pad, warmest / °C", &|warm_up| warm_up.pad_peak_c.text(""));
        line("plate, warmest / °C", &|warm_up| warm_up.plate_peak_c.text(""));
        line("cells, warmest layer / °C", &|warm_up| warm_up.cell_peak_c.text(""));
        if thermal.warm_ups.iter().any(|warm_up| warm_up.is_cut_out) {
            line("a cut-out interrupts it", &|warm_up| if warm_up.is_cut_out { "yes" } else { "no" }.to_owned());
        }
        table(out, &rows)?;
        if thermal.warm_ups.iter().any(|warm_up| warm_up.stops_first) {
            let note = "stops first: every cell channel shows heater.stop_c, and the heater goes off, before the coldest place is as warm.";
            wrapped(out, "  ", note)?;
        }
    }

    heading(out, &format!("Power that brings the coldest place from {coldest} to {release} °C"))?;
    let mut rows = vec![row(["within / h", "power / W", "W/cm²", "plate then / °C", ""])];
    for power in &thermal.powers {
        if power.is_beyond_pad {
            // Nobody may build this, so it gets no digits.
            let limit = format!(
                "more than the pad may give on this area at its highest supply, {} W/cm²",
                plain(thermal.pad_most_w_per_cm2)
            );
            rows.push(vec![plain(power.within_h), "-".to_owned(), "-".to_owned(), "-".to_owned(), limit]);
            continue;
        }
        rows.push(vec![
            plain(power.within_h),
            power.power_w.text(""),
            fixed(power.density_w_per_cm2, 3),
            fixed(power.plate_c, 0),
            if power.is_cut_out { "cut out before".to_owned() } else { String::new() },
        ]);
    }
    table(out, &rows)?;

    heading(
        out,
        &format!(
            "Power that holds at {coldest} °C, by thickness of {}{} all round",
            thermal.insulation_material,
            if thermal.insulation_is_added { " added inside" } else { "" }
        ),
    )?;
    let mut rows = vec![row(["thickness / mm", "power / W"])];
    rows.extend(thermal.insulation.iter().map(|row| vec![plain(row.thickness_mm), row.hold_w.text("")]));
    table(out, &rows)?;
    writeln!(out)?;
    wrapped(
        out,
        "  ",
        "± is the expanded uncertainty (k = 2) from the tolerances in the file, for the heater its tolerance. The coldest place is \
         that of any battery, within it or at an outer face.",
    )
}

/// The coldest place, and how the thermometers stand against it.
fn write_coldest(out: &mut dyn Write, plan: &Plan) -> io::Result<()> {
    let Coldest { place, from_corner_mm: [along, across, up], channels, .. } = &plan.coldest;
    let (along, across, up) = (plain(*along), plain(*across), plain(*up));
    heading(out, "Coldest place")?;
    let held = format!(
        "Held at {} °C the coldest place is the {place} ({along} mm along, {across} mm across, {up} mm up).",
        plain(plan.thermal.release_c)
    );
    wrapped(out, "  ", &held)?;
    for Nearness { channel, distance_mm, above_k, better } in channels {
        let sits = distance_mm.map_or_else(String::new, |mm| format!("is {} mm from it and ", plain(mm)));
        let channel = escaped(channel);
        let mut text =
            format!("{channel} {sits}can read {} K above the coldest place it answers for", fixed(*above_k, 1));
        if let Some(better) = better {
            let _ = write!(text, "; with {} it would be {} K", better.at, fixed(better.above_k, 1));
        }
        wrapped(out, "  ", &(text + "."))?;
    }
    writeln!(out)?;
    wrapped(out, "  ", &plan.thermal.model.text())
}

/// The materials of walls and floor, with the conductivities that the plan uses.
fn write_walls(out: &mut dyn Write, thermal: &Thermal) -> io::Result<()> {
    writeln!(out)?;
    let alike = thermal.walls == thermal.floor;
    let (inwards, walls) = (thermal.walls.len().max(thermal.floor.len()) > 1, LayerReport::text(&thermal.walls));
    let order = if inwards { ", from the outside inwards" } else { "" };
    let which = if alike { "Walls, lid and floor" } else { "Walls and lid" };
    wrapped(out, "  ", &format!("{which}{order}: {walls}."))?;
    if !alike {
        wrapped(out, "  ", &format!("Floor{order}: {}.", LayerReport::text(&thermal.floor)))?;
    }
    Ok(())
}

fn write_measurement(out: &mut dyn Write, measurement: &Measurement) -> io::Result<()> {
    for channel in &measurement.channels {
        write_channel(out, channel)?;
    }
    let found = &measurement.thresholds;
    heading(out, "Charge thresholds")?;
    let mut rows = vec![
        row(["", "inhibit / °C", "release / °C"]),
        vec!["in the file".to_owned(), plain(found.file.inhibit_c), plain(found.file.release_c)],
        vec![
            format!("least: the cells' limit {} °C plus the guard band", plain(found.hard_limit_c)),
            fixed(found.least_inhibit_c, 1),
            fixed(found.least_release_c, 1),
        ],
    ];
    rows.push(vec![
        "  with every error at its limit at once".to_owned(),
        fixed(found.limit_inhibit_c, 1),
        fixed(found.limit_release_c, 1),
    ]);
    if let Some(set) = &found.recommended {
        rows.push(vec![
            format!("recommended: {}", set.decided_by(found)),
            fixed(set.inhibit_c, 1),
            fixed(set.release_c, 1),
        ]);
    }
    table(out, &rows)
}

fn write_ceiling(out: &mut dyn Write, ceiling: &Ceiling) -> io::Result<()> {
    heading(out, "Charge-current ceiling")?;
    let whose = if ceiling.has_maker_table { "the maker's table / C" } else { "taken for the maker's / C" };
    let mut rows = vec![row(["coldest reading / °C", "ceiling / C", "for the bank / A", "cells down to / °C", whose])];
    rows.extend(ceiling.points.iter().map(|point| {
        vec![
            plain(point.reading_c),
            plain(point.c_rate),
            fixed(point.bank_a, 1),
            fixed(point.cells_c, 1),
            fixed(point.maker_c_rate, 3),
        ]
    }));
    table(out, &rows)?;
    writeln!(out)?;
    let counts = match (ceiling.batteries, ceiling.counted) {
        (0 | 1, _) => "The ceiling counts the one battery that there is.".to_owned(),
        (batteries, counted) => format!(
            "Of {batteries} batteries in parallel the ceiling counts {counted}: one may have disconnected itself, and the current goes through \
             the others. So the bank may take {counted}/{batteries} of what its capacity would."
        ),
    };
    wrapped(out, "  ", &counts)?;
    wrapped(
        out,
        "  ",
        "The maker's table is for the cells themselves, the ceiling is used at what the coldest channel reads, and the guard band lies \
         between the two. The last column is the least that the table has for cells between both temperatures.",
    )?;
    if let Some(points) = &ceiling.recommended {
        writeln!(out, "\n  To write, so that the ceiling holds the table")?;
        if !ceiling.has_maker_table {
            writeln!(out, "    in [battery]\n      maker_ceiling = {}", listed(&ceiling.maker))?;
        }
        writeln!(out, "    in [charge]\n      ceiling = {}", listed(points))?;
    }
    Ok(())
}

fn write_channel(out: &mut dyn Write, channel: &ChannelError) -> io::Result<()> {
    let budget = &channel.at_inhibit;
    heading(
        out,
        &format!("Error of channel {} where it shows {} °C", escaped(&channel.channel), plain(budget.reading_c)),
    )?;
    let mut rows = vec![row([
        "contribution",
        "limit or s",
        "unit",
        "distribution",
        "type",
        "K/unit",
        "u / K",
        "bias / K",
        "reads",
    ])];
    for line in &budget.lines {
        rows.push(vec![
            line.contribution.clone(),
            significant(line.spread),
            line.unit.symbol().to_owned(),
            match line.distribution {
                Distribution::Rectangular | Distribution::Normal => line.distribution.word().to_owned(),
            },
            match line.evaluation {
                Evaluation::A => "A".to_owned(),
                Evaluation::B => "B".to_owned(),
            },
            significant(line.sensitivity_k_per_unit),
            fixed(line.u_k, 4),
            if line.bias_k == 0.0 { String::new() } else { format!("{:+.3}", line.bias_k) },
            line.reads.word().to_owned(),
        ]);
    }
    table(out, &rows)?;
    writeln!(out)?;
    wrapped(out, "  ", &format!("Leads, there and back at 20 °C: {}.", channel.leads.text()))?;
    if let Some(air) = &channel.air {
        wrapped(out, "  ", &format!("{}.", air.text()))?;
    }
    writeln!(out)?;
    sums(out, budget, &channel.at_release)
}

fn sums(out: &mut dyn Write, inhibit: &Budget, release: &Budget) -> io::Result<()> {
    let line =
        |label: &str, of: fn(&Budget) -> f64| vec![label.to_owned(), fixed(of(inhibit), 3), fixed(of(release), 3)];
    let heads = [inhibit, release].map(|budget| format!("at {} °C / K", plain(budget.reading_c)));
    table(
        out,
        &[
            row(["", &heads[0], &heads[1]]),
            line("combined standard uncertainty u", |budget| budget.combined_k),
            line("expanded uncertainty U (k = 2)", |budget| budget.expanded_k),
            line("reads warm by, counted in full", |budget| budget.bias_k),
            line("guard band: that in full, plus U", |budget| budget.guard_band_k),
            line("with every error at its limit at once", |budget| budget.worst_warm_k),
        ],
    )
}

/// Four significant digits, without an exponent.
fn significant(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped first")]
    let decimals = (3.0 - libm::log10(value.abs()).floor()).clamp(0.0, 9.0) as usize;
    let text = fixed(value, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn write_heater(out: &mut dyn Write, heater: &Heater) -> io::Result<()> {
    heading(out, "Heater")?;
    let mut rows = vec![row(["supply / V", "power / W", "current / A"])];
    for draw in [heater.at_supply_min, heater.at_nominal, heater.at_supply_max] {
        rows.push(vec![
            plain(draw.supply_v),
            uncertain(draw.power_w, draw.power_w * heater.tolerance, "").trim().to_owned(),
            uncertain(draw.current_a, draw.current_a * heater.tolerance, "").trim().to_owned(),
        ]);
    }
    table(out, &rows)
}

fn write_circuit(out: &mut dyn Write, report: &Report) -> io::Result<()> {
    heading(out, &format!("Circuit, with the cable in {} °C", plain(report.cable_c)))?;
    let mut rows = vec![row(["conductor / mm²", "drop / V", "drop / %", "most drop / V", "carries / A", ""])];
    for size in &report.sizes {
        // The sizes around the choice are enough.
        let near = report.conductor.is_none_or(|chosen| {
            let part = size.area_mm2 / chosen.area_mm2;
            (0.2..=5.0).contains(&part)
        });
        if !near {
            continue;
        }
        let chosen = report.conductor.is_some_and(|chosen| (chosen.area_mm2 - size.area_mm2).abs() < 1e-9);
        rows.push(vec![
            plain(size.area_mm2),
            fixed(size.drop_nominal_v, 2),
            fixed(size.drop_nominal_pct, 1),
            fixed(size.drop_most_v, 2),
            fixed(size.capacity_a, 1),
            if chosen { "<".to_owned() } else { String::new() },
        ]);
    }
    table(out, &rows)?;
    writeln!(out)?;
    let or_none = |value: Option<f64>, unit: &str| {
        value.map_or_else(|| "none".to_owned(), |value| format!("{} {unit}", plain(value)))
    };
    table(
        out,
        &[
            vec!["least conductor for the drop allowed".to_owned(), or_none(report.least_for_drop_mm2, "mm²")],
            vec!["least conductor for the fuse".to_owned(), or_none(report.least_for_current_mm2, "mm²")],
            vec![
                format!("least fuse, for {} A", fixed(report.fuse_least_a, 1)),
                or_none(report.fuse_least_sold_a, "A"),
            ],
            vec!["fuse".to_owned(), or_none(report.fuse_a, "A")],
            vec![
                "relay contact, part of its rating used".to_owned(),
                format!("{} %", fixed(report.contact_used * 100.0, 0)),
            ],
            vec!["relay coil, most current".to_owned(), format!("{} mA", fixed(report.coil_most_a * 1000.0, 0))],
            vec!["relay coil pulls in from".to_owned(), format!("{} V", fixed(raised_to(report.pull_in_v, 0.1), 1))],
        ],
    )
}

fn write_cutouts(out: &mut dyn Write, report: &cutout::Report) -> io::Result<()> {
    heading(out, "Thermal cut-outs in the heater's circuit")?;
    let mut rows = vec![row(["touches", "closed up to / °C", "open at / °C", "in the file, opens at / °C"])];
    rows.extend(report.bounds.iter().map(|bounds| {
        let here = report.installed.iter().filter(|installed| installed.at == bounds.at);
        let here: Vec<String> =
            here.map(|installed| format!("{} ± {}", plain(installed.opens_c), plain(installed.within_k))).collect();
        vec![
            bounds.at.word().to_owned(),
            fixed(bounds.stays_closed_to_c, 1),
            fixed(bounds.has_opened_at_c, 0),
            if here.is_empty() { "none".to_owned() } else { here.join(", ") },
        ]
    }));
    table(out, &rows)
}

fn write_sources(out: &mut dyn Write, sources: &[Source]) -> io::Result<()> {
    if sources.is_empty() {
        return Ok(());
    }
    heading(out, "Sources")?;
    let mut rows = vec![row(["", "budget / W", "gives / W", "headroom / W", "left for charge / W"])];
    for source in sources {
        rows.push(vec![
            escaped(&source.source),
            plain(source.budget_w),
            fixed(source.gives_w, 0),
            source.headroom_w.map_or_else(String::new, |headroom| fixed(headroom, 0)),
            fixed(source.left_for_charge_w, 0),
        ]);
    }
    table(out, &rows)
}
