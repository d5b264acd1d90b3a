//! Reading drives over Modbus, and only reading.
