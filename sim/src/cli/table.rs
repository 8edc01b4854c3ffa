//! `forewarm table`.

use super::{Form, Stop, print};
use clap::ValueEnum;
use forewarm::class::{Class, Construction};
use forewarm::decimal::{Decimal, NotWhole};
use forewarm::diagnostic::Problem;
use forewarm::table::Table;
use forewarm_core::quantity::Ohms;
use forewarm_core::rtd::{Coefficients, Element};

/// Print resistance against temperature for a platinum element, with tolerances
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  forewarm table --element pt1000 --class A --from -10 --to 10 --step 1")]
pub(crate) struct Arguments {
    /// Element
    #[arg(long, value_name = "TYPE", default_value = "pt100", ignore_case = true)]
    element: Type,
    /// Resistance at 0 °C in Ω, for any other element [default: that of the type]
    #[arg(long, value_name = "OHM", conflicts_with = "element", allow_hyphen_values = true, value_parser = micro)]
    r0: Option<i64>,
    /// Coefficient A in 1/°C, as its certificate gives it; with --r0 and --b only [default: 3.9083e-3]
    #[arg(long, value_name = "A", requires_all = ["r0", "b"], allow_hyphen_values = true, value_parser = parts::<10>)]
    a: Option<i64>,
    /// Coefficient B in 1/°C²; with --r0 and --a only [default: -5.775e-7]
    #[arg(long, value_name = "B", requires_all = ["r0", "a"], allow_hyphen_values = true, value_parser = parts::<14>)]
    b: Option<i64>,
    /// Coefficient C in 1/°C⁴; with --r0, --a and --b only [default: -4.183e-12]
    #[arg(long, value_name = "C", requires_all = ["r0", "a", "b"], allow_hyphen_values = true, value_parser = parts::<19>)]
    c: Option<i64>,
    /// First temperature in °C, -200 or above
    #[arg(long, value_name = "CELSIUS", default_value = "-50", allow_hyphen_values = true, value_parser = parts::<3>)]
    from: i64,
    /// Last temperature in °C, 850 or below
    #[arg(long, value_name = "CELSIUS", default_value = "150", allow_hyphen_values = true, value_parser = parts::<3>)]
    to: i64,
    /// Step in °C, a multiple of 0.001
    #[arg(long, value_name = "CELSIUS", default_value = "10", allow_hyphen_values = true, value_parser = parts::<3>)]
    step: i64,
    /// Tolerance class of IEC 60751
    #[arg(long, default_value = "B", ignore_case = true)]
    class: Class,
    /// Construction, which limits the range of the class
    #[arg(long, default_value = "wire-wound", ignore_case = true)]
    construction: Construction,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Type {
    Pt100,
    Pt500,
    Pt1000,
}

pub(crate) fn run(arguments: &Arguments, form: Form) -> Result<(), Stop> {
    let (label, element) = element(arguments)?;
    let span = (arguments.from, arguments.to, arguments.step);
    let table = Table::new(label, element, span, arguments.class, arguments.construction).map_err(Stop::Unusable)?;
    print(|out| match form {
        Form::Text => table.write_text(out),
        Form::Json => {
            serde_json::to_writer(&mut *out, &table)?;
            writeln!(out)
        }
    })
}

fn element(arguments: &Arguments) -> Result<(&'static str, Element), Stop> {
    let Some(r0) = arguments.r0 else {
        return Ok(match arguments.element {
            Type::Pt100 => ("Pt100", Element::pt100()),
            Type::Pt500 => ("Pt500", Element::pt500()),
            Type::Pt1000 => ("Pt1000", Element::pt1000()),
        });
    };
    let refuse = |option: &str, fault: &dyn std::fmt::Display, remedy: &str| {
        Stop::from(Problem::error(option, fault.to_string()).remedy(remedy))
    };
    let coefficients = match (arguments.a, arguments.b) {
        (Some(a), Some(b)) => {
            let [a, b, c] =
                [a, b, arguments.c.unwrap_or(-41_830_000)].map(|part| i32::try_from(part).unwrap_or(i32::MAX));
            Coefficients::new(a, b, c).map_err(|fault| {
                refuse("--a, --b, --c", &fault, "the values of the certificate, or none of the three")
            })?
        }
        _ => Coefficients::IEC_60751,
    };
    // A negative resistance counts as zero, which no element accepts.
    let r0 = Ohms::from_micro_ohms(u64::try_from(r0).unwrap_or(0));
    let element = Element::new(r0, coefficients).map_err(|fault| refuse("--r0", &fault, "--r0 100 for a Pt100"))?;
    Ok(("Platinum", element))
}

/// A number as a count of 10^−`PLACES`.
fn parts<const PLACES: u32>(text: &str) -> Result<i64, String> {
    let number: Decimal = text.parse().map_err(|fault: forewarm::decimal::NotDecimal| fault.to_string())?;
    number.parts(PLACES).map_err(|fault| match fault {
        NotWhole::Finer => format!("finer than 1e-{PLACES}"),
        NotWhole::TooLarge => "far too large".to_owned(),
    })
}

fn micro(text: &str) -> Result<i64, String> {
    parts::<6>(text)
}
