//! The capture sheet of a bench.

/// The lines of the tables of a sheet.
#[derive(Clone)]
pub struct Sheet {
    /// Lines of `[voltage]`.
    pub voltage: Vec<String>,
    /// Lines of `[current]`.
    pub current: Vec<String>,
    /// Lines of `[load]`.
    pub load: Vec<String>,
    /// Lines of `[timebase]`.
    pub timebase: Vec<String>,
}

impl Sheet {
    /// The usual: scales known to 0.4 %, a resistor to 0.5 %, the clock to 10 ppm, no delays and
    /// those known to 0.5 ns.
    pub fn usual(ohm: f64) -> Self {
        let channel = vec!["scale = 1.0".to_owned(), relative(0.004), delay(0.0), doubt(0.5e-9)];
        Self {
            voltage: channel.clone(),
            current: channel,
            load: vec![
                "kind = \"resistor\"".to_owned(),
                format!("nominal_ohm = {ohm:?}"),
                relative(0.005),
            ],
            timebase: vec![relative(1e-5)],
        }
    }

    /// States other delays, s, with a standard uncertainty, s.
    pub fn delayed(&mut self, voltage_s: f64, current_s: f64, doubt_s: f64) {
        self.without_delays();
        self.voltage.extend([delay(voltage_s), doubt(doubt_s)]);
        self.current.extend([delay(current_s), doubt(doubt_s)]);
    }

    /// States nothing of delays.
    pub fn without_delays(&mut self) {
        for table in [&mut self.voltage, &mut self.current] {
            table.retain(|line| !line.starts_with("delay"));
        }
    }

    /// The text, without the tables that have no lines.
    pub fn text(&self) -> String {
        let tables = [
            ("voltage", &self.voltage),
            ("current", &self.current),
            ("load", &self.load),
            ("timebase", &self.timebase),
        ];
        let mut text = String::new();
        for (name, lines) in tables.iter().filter(|(_, lines)| !lines.is_empty()) {
            text.push_str(&format!("[{name}]\n{}\n", lines.join("\n")));
        }
        text
    }
}

fn relative(u: f64) -> String {
    format!("relative_standard_uncertainty = {u:e}")
}

fn delay(seconds: f64) -> String {
    format!("delay_s = {seconds:e}")
}

fn doubt(seconds: f64) -> String {
    format!("delay_standard_uncertainty_s = {seconds:e}")
}
