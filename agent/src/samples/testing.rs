//! Samples for the tests of this folder.

use std::ops::Range;

use proptest::prelude::*;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::Timestamp;

/// Any sample whose instant, in milliseconds, lies in `at`: values small, large and at the ends of their range.
pub fn any_sample(at: Range<i64>) -> impl Strategy<Value = Sample> {
    let value = proptest::option::of(prop_oneof![-5000_i64..5000, any::<i64>(), Just(i64::MIN), Just(i64::MAX)]);
    let flag = any::<Option<bool>>();
    (at, proptest::array::uniform8(value), proptest::array::uniform8(flag)).prop_map(|(at, values, flags)| {
        let mut sample = Sample::at(Timestamp::from_ms(at));
        Quantity::ALL.into_iter().zip(values).for_each(|(q, v)| sample.set(q, v));
        Flag::ALL.into_iter().zip(flags).for_each(|(f, v)| sample.set_flag(f, v));
        sample
    })
}
