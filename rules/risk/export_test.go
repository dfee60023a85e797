package risk

// Hyper shows the tests what was fitted.
func (m *Model) Hyper() hyper { return m.hyper }
