//! A panel's device that is not ours: pymodbus with values of every type, encoded by pymodbus itself.

use serde_json::{Value, json};

use crate::cabinet::{Cabinet, Running};
use crate::peers::{free_port, python_script, wait_for_port};

/// One value of the device.
#[derive(Clone, Debug)]
pub struct Row {
    /// Table: holding, input, coil or discrete.
    pub table: &'static str,
    /// First address.
    pub address: u16,
    /// Type, by its word in the configuration; `bit` for coils and discrete inputs.
    pub kind: &'static str,
    /// Order of its words.
    pub word_order: &'static str,
    /// Order of the bytes of each word.
    pub byte_order: &'static str,
    /// The value.
    pub value: Value,
}

impl Row {
    /// A value in the protocol's own order.
    pub fn plain(table: &'static str, address: u16, kind: &'static str, value: impl Into<Value>) -> Self {
        Row { table, address, kind, word_order: "high-first", byte_order: "high-first", value: value.into() }
    }

    /// Contacts from an address on.
    pub fn contacts(table: &'static str, address: u16, on: &[bool]) -> Self {
        Row { kind: "bit", ..Row::plain(table, address, "bit", on.to_vec()) }
    }
}

/// A running device, unit 1.
pub struct Device {
    /// Where it listens.
    pub port: u16,
    home: Cabinet,
    _process: Running,
}

impl Device {
    /// Starts it with these values; every other address is refused.
    pub fn start(rows: &[Row]) -> Self {
        let (home, port) = (Cabinet::new(), free_port());
        let rows: Vec<Value> =
            rows.iter().map(|r| json!([r.table, r.address, r.kind, r.word_order, r.byte_order, r.value])).collect();
        home.write("values.json", &Value::from(rows).to_string());
        let file = |name: &str| home.path().join(name).display().to_string();
        let arguments = [port.to_string(), file("values.json"), file("registers.json"), file("requests.log")];
        let process = python_script("panel.py", &arguments.each_ref().map(String::as_str));
        wait_for_port("the device", port);
        Device { port, home, _process: process }
    }

    /// Its address.
    pub fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// The registers of each row, in hexadecimal, as pymodbus made them.
    pub fn registers(&self) -> Vec<Vec<String>> {
        let text = std::fs::read_to_string(self.home.path().join("registers.json")).unwrap();
        let rows: Vec<Vec<Value>> = serde_json::from_str(&text).unwrap();
        let hex = |value: &Value| value.as_u64().map_or(value.to_string(), |word| format!("{word:04X}"));
        rows.iter().map(|row| row.iter().map(hex).collect()).collect()
    }

    /// The requests that it answered: function and seconds.
    pub fn requests(&self) -> Vec<(u8, f64)> {
        let text = std::fs::read_to_string(self.home.path().join("requests.log")).unwrap();
        text.lines()
            .map(|line| {
                let parts: Vec<&str> = line.split(' ').collect();
                (parts[0].parse().unwrap(), parts[3].parse().unwrap())
            })
            .collect()
    }
}
