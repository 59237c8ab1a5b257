//! Fields of a document by their path, as in `leak[0].resistance_ohm`.

use toml::{Table, Value};

use crate::document::FieldFault;

/// A name and its places in lists.
fn parts(segment: &str) -> (&str, Vec<Option<usize>>) {
    let mut pieces = segment.split('[');
    let name = pieces.next().unwrap_or_default();
    let places = pieces
        .map(|piece| piece.strip_suffix(']').and_then(|n| n.parse().ok()))
        .collect();
    (name, places)
}

/// The value at a path.
pub(super) fn get<'t>(table: &'t Table, path: &str) -> Option<&'t Value> {
    let (first, rest) = path
        .split_once('.')
        .map_or((path, None), |(first, rest)| (first, Some(rest)));
    let (name, places) = parts(first);
    let mut value = table.get(name)?;
    for place in places {
        value = value.as_array()?.get(place?)?;
    }
    match rest {
        None => Some(value),
        Some(rest) => get(value.as_table()?, rest),
    }
}

/// Sets the value at a path; tables on the way are made, places of lists must be there.
pub(super) fn set(table: &mut Table, path: &str, new: Value) -> Result<(), FieldFault> {
    let fault = |problem: String| {
        FieldFault::new(
            path,
            problem,
            "the path of a field, as in leak[0].resistance_ohm",
        )
    };
    let mut table = table;
    let mut segments = path.split('.').peekable();
    while let Some(segment) = segments.next() {
        let (name, places) = parts(segment);
        let last = segments.peek().is_none();
        if name.is_empty() {
            return Err(fault(format!("{path} is no path")));
        }
        let indexed = !places.is_empty();
        if indexed && !table.contains_key(name) {
            return Err(fault(format!("there is no {name} in the scenario")));
        }
        let mut value = table
            .entry(name)
            .or_insert_with(|| Value::Table(Table::new()));
        for place in places {
            let list = value.as_array_mut().and_then(|list| list.get_mut(place?));
            value = list.ok_or_else(|| fault(format!("{segment} is not in the scenario")))?;
        }
        if last {
            *value = new;
            return Ok(());
        }
        table = value
            .as_table_mut()
            .ok_or_else(|| fault(format!("{segment} is not a table")))?;
    }
    Err(fault(format!("{path} is no path")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_set_where_they_are_and_where_they_may_be() {
        let mut table: Table = "a = 1\n[b]\nc = 2\n[[d]]\ne = 3\n[[d]]\ne = 4\n"
            .parse()
            .expect("toml");
        for (path, value) in [("a", 5), ("b.c", 6), ("d[1].e", 7), ("f.g.h", 8)] {
            set(&mut table, path, Value::Integer(value)).expect(path);
            assert_eq!(get(&table, path), Some(&Value::Integer(value)), "{path}");
        }
        assert_eq!(get(&table, "d[0].e"), Some(&Value::Integer(3)));
        for path in ["d[2].e", "a.b", "", "x[0].y", "d[first].e", "b..c"] {
            assert!(set(&mut table, path, Value::Integer(1)).is_err(), "{path}");
        }
    }
}
