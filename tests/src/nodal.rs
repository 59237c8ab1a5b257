//! Modified nodal analysis of the whole network, with a general dense solver
//! (Ho, Ruehli, Brennan, "The modified nodal approach to network analysis",
//! IEEE Trans. Circuits and Systems 22(6), 1975; from memory, not verified).
//!
//! Nothing is reduced beforehand: every cell is a voltage source of its own,
//! every divider two resistors with a converter pin between them, and a leak
//! may start from any tap of the stack.

use nalgebra::{DMatrix, DVector};

/// A node; 0 is the reference.
pub type Node = usize;

/// Resistors and voltage sources between nodes.
#[derive(Debug, Clone, Default)]
pub struct Network {
    nodes: usize,
    resistors: Vec<(Node, Node, f64)>,
    sources: Vec<(Node, Node, f64)>,
}

impl Network {
    /// A new node.
    pub fn node(&mut self) -> Node {
        self.nodes += 1;
        self.nodes
    }

    /// A resistor in ohms.
    pub fn resistor(&mut self, a: Node, b: Node, ohm: f64) {
        self.resistors.push((a, b, ohm));
    }

    /// A source that holds `plus` at `volt` above `minus`.
    pub fn source(&mut self, plus: Node, minus: Node, volt: f64) {
        self.sources.push((plus, minus, volt));
    }

    /// A divider from `top` to `bottom`; the node of its tap.
    pub fn divider(&mut self, top: Node, bottom: Node, ohm: [f64; 2]) -> Node {
        let tap = self.node();
        self.resistor(top, tap, ohm[0]);
        self.resistor(tap, bottom, ohm[1]);
        tap
    }

    /// Voltages of all nodes against the reference, then the currents of the
    /// sources.
    ///
    /// # Panics
    /// When the network has no unique solution.
    #[must_use]
    pub fn solve(&self) -> Vec<f64> {
        let size = self.nodes + self.sources.len();
        let mut matrix = DMatrix::zeros(size, size);
        let mut right = DVector::zeros(size);
        // Conductances in microsiemens, so that all entries are of one order.
        for &(a, b, ohm) in &self.resistors {
            let g = 1e6 / ohm;
            for (row, column, sign) in [(a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)] {
                if row > 0 && column > 0 {
                    matrix[(row - 1, column - 1)] += sign * g;
                }
            }
        }
        for (place, &(plus, minus, volt)) in self.sources.iter().enumerate() {
            let row = self.nodes + place;
            for (node, sign) in [(plus, 1.0), (minus, -1.0)] {
                if node > 0 {
                    matrix[(row, node - 1)] += sign;
                    matrix[(node - 1, row)] += sign;
                }
            }
            right[row] = volt;
        }
        let solution = matrix.full_piv_lu().solve(&right).expect("one solution");
        std::iter::once(0.0)
            .chain(solution.iter().copied())
            .collect()
    }
}

/// The battery with its taps: node 0 is the negative rail.
#[derive(Debug, Clone)]
pub struct Stack {
    /// Nodes from the negative rail to the positive, cell by cell.
    pub taps: Vec<Node>,
    /// Voltage of each tap.
    pub volts: Vec<f64>,
}

impl Stack {
    /// Cells in series, each with its own voltage.
    #[must_use]
    pub fn new(network: &mut Network, cells: &[f64]) -> Self {
        let mut stack = Self {
            taps: vec![0],
            volts: vec![0.0],
        };
        for (&cell, below) in cells.iter().zip(0..) {
            let node = network.node();
            network.source(node, stack.taps[below], cell);
            stack.taps.push(node);
            stack.volts.push(stack.volts[below] + cell);
        }
        stack
    }

    /// The positive rail.
    ///
    /// # Panics
    /// Never: a stack has at least its negative rail.
    #[must_use]
    pub fn positive(&self) -> Node {
        *self.taps.last().expect("a rail")
    }

    /// Vb.
    ///
    /// # Panics
    /// Never: a stack has at least its negative rail.
    #[must_use]
    pub fn pack(&self) -> f64 {
        *self.volts.last().expect("a rail")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bridge_by_hand() {
        // 10 V over 1 k + 3 k and over 3 k + 1 k, the middles bridged by 2 k.
        let mut network = Network::default();
        let top = network.node();
        network.source(top, 0, 10.0);
        let left = network.divider(top, 0, [1e3, 3e3]);
        let right = network.divider(top, 0, [3e3, 1e3]);
        network.resistor(left, right, 2e3);
        let volts = network.solve();
        // At the left middle, in mA: (10 - a) - a/3 - (a - b)/2 = 0, and by
        // symmetry b = 10 - a.
        let a = 15.0 / (1.0 + 1.0 / 3.0 + 1.0);
        assert!((volts[left] - a).abs() < 1e-12, "{volts:?}");
        assert!((volts[right] - (10.0 - a)).abs() < 1e-12);
    }
}
