//! What `service` says of its texts: what each is for, where it goes, what to type.

use crate::source::SourceUrl;

/// Before each text: the unit, the console, the rules; with the options that were typed.
#[must_use]
pub fn steps(options: &str) -> [String; 3] {
    [
        format!(
            "Without screens, from power-on: a user unit that waits for the devices, records and watches.
  mkdir -p ~/.config/systemd/user
  fadewatch service unit{options} > ~/.config/systemd/user/fadewatch.service
  systemctl --user daemon-reload
  systemctl --user enable --now fadewatch
  sudo loginctl enable-linger \"$USER\"
What it says: journalctl --user -u fadewatch"
        ),
        format!(
            "Or with screens on the plain console, in the place of its login (another one: Alt-F2).
  fadewatch service console{options} | sudo tee /etc/systemd/system/fadewatch-console.service
  sudo systemctl daemon-reload
  sudo systemctl enable --now fadewatch-console"
        ),
        format!(
            "Names that stay, and the right to open them: rules for udev.
  fadewatch service rules{options} | sudo tee /etc/udev/rules.d/70-fadewatch.rules
  sudo udevadm control --reload
  sudo udevadm trigger"
        ),
    ]
}

/// Where an interface is heard.
pub const CAPTURE: &str = "To listen to an interface without screens, once, and again after each new build:
  sudo setcap cap_net_raw+ep \"$(command -v fadewatch)\"";
/// The last line.
pub const MORE: &str = "More: fadewatch explain service";

/// The first line of the rules.
pub const RULES: &str =
    "Names and rights of the devices that fadewatch listens to, made by: fadewatch service rules";
/// Where the profile names no device.
pub const NO_DEVICE: &str = "The profile names no serial port and no joystick: no rule is needed.";

/// In the place of a rule.
#[must_use]
pub fn unknown_device(key: &str, url: &SourceUrl) -> String {
    format!("{key}, {url}: not known while it is not plugged in. Plug it in, and make the rules again.")
}

/// The line of the profile that uses a new name.
#[must_use]
pub fn renamed(key: &str, url: &SourceUrl) -> String {
    format!("Then, in [sources] of the profile: {key} = \"{url}\"")
}
