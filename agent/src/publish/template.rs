//! The JSON template of a webhook and its `{{field}}` places.

use serde_json::Value;

/// Fills every `{{field}}` of `template` with what `field` answers. Inside a JSON string the value goes in as escaped
/// text; outside it goes in as a JSON value. A field without a value is an empty text or `null`.
pub fn fill(template: &str, field: impl Fn(&str) -> Option<Value>) -> String {
    let mut filled = String::with_capacity(template.len());
    let mut in_string = false;
    let mut rest = template;
    while let Some(open) = rest.find("{{") {
        let (before, after) = rest.split_at(open);
        // Two braces are JSON, too: `{{` is a place only when a field's name and `}}` follow.
        let place = after.find("}}").map(|close| (after[2..close].trim(), &after[close + 2..]));
        let place = place.filter(|(name, _)| is_name(name));
        let Some((name, behind)) = place else {
            let (literal, behind) = rest.split_at(open + 1);
            in_string = string_state(literal, in_string);
            filled.push_str(literal);
            rest = behind;
            continue;
        };
        in_string = string_state(before, in_string);
        filled.push_str(before);
        let value = field(name).unwrap_or(Value::Null);
        filled.push_str(&if in_string { escaped(&value) } else { value.to_string() });
        rest = behind;
    }
    filled.push_str(rest);
    filled
}

fn is_name(name: &str) -> bool {
    !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
}

/// Whether the end of `text` is inside a JSON string, when its beginning is or is not.
fn string_state(text: &str, mut in_string: bool) -> bool {
    let mut characters = text.chars();
    while let Some(character) = characters.next() {
        match character {
            '"' => in_string = !in_string,
            '\\' if in_string => drop(characters.next()),
            _ => {}
        }
    }
    in_string
}

fn escaped(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => {
            let quoted = Value::from(text.as_str()).to_string();
            quoted[1..quoted.len() - 1].to_owned()
        }
        other => {
            let quoted = Value::from(other.to_string()).to_string();
            quoted[1..quoted.len() - 1].to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn field(name: &str) -> Option<Value> {
        match name {
            "text" => Some(json!("say \"hoist\"\n\\ ü")),
            "value" => Some(json!(0.9)),
            _ => None,
        }
    }

    #[test]
    fn text_is_escaped_and_comes_out_again_as_it_went_in() {
        let filled = fill(r#"{"msg": "» {{text}} / {{ value }} «", "v": {{value}}, "t": {{text}}}"#, field);
        let parsed: Value = serde_json::from_str(&filled).unwrap();
        assert_eq!(parsed, json!({"msg": "» say \"hoist\"\n\\ ü / 0.9 «", "v": 0.9, "t": "say \"hoist\"\n\\ ü"}));
    }

    #[test]
    fn a_missing_field_is_empty_in_a_string_and_null_outside() {
        assert_eq!(fill(r#"{"a":"{{level}}","b":{{level}}}"#, field), r#"{"a":"","b":null}"#);
    }

    #[test]
    fn braces_that_name_no_field_stay() {
        let template = r#"{"a":{"b":{"c":1}}, "d":"{{", "e":"{{{value}}}"}"#;
        assert_eq!(fill(template, field), r#"{"a":{"b":{"c":1}}, "d":"{{", "e":"{0.9}"}"#);
    }
}
