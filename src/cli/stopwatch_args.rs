//! The options of `stopwatch`.

use std::path::PathBuf;

use clap::Args;

use crate::measure::glass_to_glass::{Photograph, USUAL_EXPOSURE_MS, USUAL_REFRESH_HZ, read_off_ms};

use super::ScreenArgs;

/// `stopwatch`.
#[derive(Debug, Args)]
pub struct StopwatchArgs {
    /// What a photograph shows, in seconds: the running time, and the time in its picture. Once for each photograph.
    /// Without any the stopwatch fills the terminal, and the times are typed there.
    #[arg(long = "read", value_name = "TIME,PICTURE", value_parser = photograph)]
    pub readings: Vec<Photograph>,
    /// Refreshes a second of the slower of the two screens.
    #[arg(long, value_name = "HZ", default_value_t = USUAL_REFRESH_HZ, value_parser = refresh_hz)]
    pub refresh_hz: f64,
    /// Exposure of the photographs, milliseconds; the phone tells it with each photograph.
    #[arg(long, value_name = "MS", default_value_t = USUAL_EXPOSURE_MS, value_parser = exposure_ms)]
    pub exposure_ms: f64,
    /// Keep the figure in this profile (TOML); asks first.
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
    /// Keep it without asking.
    #[arg(long)]
    pub yes: bool,
    /// One JSON object.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub screen: ScreenArgs,
}

fn photograph(text: &str) -> Result<Photograph, String> {
    let times = text.split_once(',').map(|(time, picture)| [time, picture].map(read_off_ms));
    match times {
        Some([Some(time_ms), Some(picture_ms)]) => Ok(Photograph { time_ms, picture_ms }),
        _ => {
            Err("give the running time and its picture, seconds under 1000, such as 83.412,83.301".to_owned())
        }
    }
}

fn refresh_hz(text: &str) -> Result<f64, String> {
    let hz = text.parse::<f64>().ok().filter(|hz| (1.0..=1_000.0).contains(hz));
    hz.ok_or_else(|| "give refreshes a second, 1 to 1000".to_owned())
}

fn exposure_ms(text: &str) -> Result<f64, String> {
    let ms = text.parse::<f64>().ok().filter(|ms| (0.0..=1_000.0).contains(ms));
    ms.ok_or_else(|| "give milliseconds, 0 to 1000".to_owned())
}
