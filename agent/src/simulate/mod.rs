//! A simulated drive: a Modbus server with its own encoder, playing a scenario.
