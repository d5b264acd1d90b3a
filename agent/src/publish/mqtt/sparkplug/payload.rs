//! Sparkplug B's payload as protocol-buffer messages, written by hand from the specification (Eclipse Sparkplug 3.0.0,
//! section 6.4): only the parts that are used here. What is not named here is skipped in what comes in.

/// A payload.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Payload {
    /// When it was sent, milliseconds since 1970.
    #[prost(uint64, optional, tag = "1")]
    pub timestamp: Option<u64>,
    /// Its metrics.
    #[prost(message, repeated, tag = "2")]
    pub metrics: Vec<Metric>,
    /// Its number in the session, 0 to 255.
    #[prost(uint64, optional, tag = "3")]
    pub seq: Option<u64>,
}

/// A metric.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Metric {
    /// Its name; in births, and where there is no alias.
    #[prost(string, optional, tag = "1")]
    pub name: Option<String>,
    /// Its alias, unique within the edge node.
    #[prost(uint64, optional, tag = "2")]
    pub alias: Option<u64>,
    /// When it had this value, milliseconds since 1970.
    #[prost(uint64, optional, tag = "3")]
    pub timestamp: Option<u64>,
    /// Its type, by the specification's number.
    #[prost(uint32, optional, tag = "4")]
    pub datatype: Option<u32>,
    /// The value is delivered late and is not the present one.
    #[prost(bool, optional, tag = "5")]
    pub is_historical: Option<bool>,
    /// There is no value.
    #[prost(bool, optional, tag = "7")]
    pub is_null: Option<bool>,
    /// Its value.
    #[prost(oneof = "Value", tags = "10, 11, 13, 14, 15")]
    pub value: Option<Value>,
}

/// A metric's value, by how it is written.
#[derive(Clone, PartialEq, prost::Oneof)]
pub enum Value {
    /// Whole numbers up to 32 bits.
    #[prost(uint32, tag = "10")]
    Int(u32),
    /// Whole numbers up to 64 bits, and times.
    #[prost(uint64, tag = "11")]
    Long(u64),
    /// Double.
    #[prost(double, tag = "13")]
    Double(f64),
    /// Boolean.
    #[prost(bool, tag = "14")]
    Boolean(bool),
    /// Text.
    #[prost(string, tag = "15")]
    Text(String),
}

/// A metric's type, with the specification's number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[repr(u32)]
pub enum DataType {
    /// A signed whole number of 64 bits; what bdSeq is.
    Int64 = 4,
    /// A whole number of 64 bits.
    UInt64 = 8,
    /// A double.
    Double = 10,
    /// True or false.
    Boolean = 11,
    /// A text.
    String = 12,
    /// A time, milliseconds since 1970.
    DateTime = 13,
}
