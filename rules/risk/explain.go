package risk

import (
	"fmt"
	"strconv"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

// Input is one thing that an estimate was made from, in words.
type Input struct{ Name, Value string }

// Explanation shows where an estimate comes from, so that anyone can work it
// out again.
type Explanation struct {
	Inputs  []Input
	Formula string // in the letters of Model
	Worked  string // the same with this start's numbers

	Prior         float64 // m: the prior's odds, scaled
	Scale         float64 // what the shop's own starts made of the prior's odds for this class; 1 if they say nothing
	ScaleFitted   bool    // whether they say anything
	PriorStarts   float64 // k: what the prior is worth, in starts
	StartsFitted  bool    // whether the shop's own starts say so, or what is documented
	OthersStarts  float64 // Σ w·n of the other machines
	OthersStrikes float64 // Σ w·s of the other machines
	Shop          float64 // q: the shop's odds without this machine's starts
	ShopStarts    float64 // L: what they are worth to this machine, in starts
	OwnStarts     uint64  // N
	OwnStrikes    uint64  // S
	Alpha, Beta   float64 // of the posterior

	Result Estimate
	Source string
}

const (
	formula = "K = k + Σwn; q = (k·m + Σws)/K; L = l·K/(l+K+1); P = (L·q + S)/(L + N); 95 % from Beta(L·q + S, L·(1-q) + N-S)"
	source  = "beta-binomial with partial pooling (Gelman et al., Bayesian Data Analysis, 3rd ed., chapter 5); " +
		"weights by the variance of a beta-binomial (Williams 1982, Applied Statistics 31); prior: values from memory of what crews say"
)

// Explain is Strike with everything that went into it.
func (m *Model) Explain(s Start) Explanation {
	k, mc, p := m.at(s)
	b := p.beta()
	scale, fitted := m.hyper.Scale[m.classes[k.class]]
	if !fitted {
		scale = 1
	}
	return Explanation{
		Inputs: []Input{
			{"film class", string(m.classes[k.class])},
			{"treatment", orUnknown(m.treatments[k.treatment])},
			{"humidity", banded(s.RHPct, RHBand(s.RHPct), "%")},
			{"cure temperature", banded(s.CureC, CureBand(s.CureC), "°C")},
			{"machine", machineWords(s, mc == m.fresh)},
		},
		Formula: formula,
		Worked: fmt.Sprintf("q = (%.4g·%.4g + %.4g)/%.4g = %.4g; L = %.4g; P = (%.4g·%.4g + %d)/(%.4g + %d) = %.4g",
			m.hyper.Starts, p.prior, p.others.strikes, m.hyper.Starts+p.others.starts, p.shop, p.weight,
			p.weight, p.shop, p.own.strikes, p.weight, p.own.starts, p.mean()),
		Prior: p.prior, Scale: scale, ScaleFitted: fitted, PriorStarts: m.hyper.Starts, StartsFitted: m.hyper.StartsFitted,
		OthersStarts: p.others.starts, OthersStrikes: p.others.strikes,
		Shop: p.shop, ShopStarts: p.weight, OwnStarts: p.own.starts, OwnStrikes: p.own.strikes,
		Alpha: b.Alpha, Beta: b.Beta, Result: m.Strike(s), Source: source,
	}
}

// basis says in words what an estimate rests on.
func (m *Model) basis(k kind, mc *machine, p posterior, s Start) string {
	i := k.index(&m.axes)
	all := m.shop[i].tally
	switch scale, fitted := m.hyper.Scale[m.classes[k.class]]; {
	case all.starts > 0 && (p.own.starts == 0 || p.own == all):
		return all.String() + " like this, and the prior"
	case all.starts > 0:
		return all.String() + " like this, " + p.own.of() + " on " + s.Machine + ", and the prior"
	case m.starts > 0 && m.prior(mc, i) > m.base[i]:
		return "no starts like this yet; as bad as the worst that they may be"
	case fitted:
		return "no starts like this yet; the prior, with " + strconv.FormatFloat(scale, 'g', 2, 64) + " times its odds by your other starts on " + filmWords(m.classes[k.class])
	case m.hyper.StartsFitted:
		return "no starts like this yet; the prior, worth what your other starts say"
	}
	return noData
}

// noData is the basis of an estimate that nothing of the shop went into, and of
// no other one.
const noData = "prior, no data of yours yet"

func (p Prior) basis() string {
	if p.Fixed {
		return "prior, learning is switched off"
	}
	return noData
}

// String says "12 strikes in 143 starts".
func (t tally) String() string {
	return count(t.strikes, "strike") + " in " + count(t.starts, "start")
}

// of says "3 in 40 of them".
func (t tally) of() string { return fmt.Sprintf("%d in %d of them", t.strikes, t.starts) }

func count(n uint64, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.FormatUint(n, 10) + " " + one + "s"
}

func filmWords(c event.Class) string {
	switch c {
	case event.Unknown:
		return "film of an unknown class"
	case event.Other:
		return "other film"
	}
	return string(c) + " film"
}

func orUnknown(s string) string {
	if s == "" {
		return "unknown"
	}
	return s
}

func banded(v units.Maybe, b Band, unit string) string {
	x, known := v.Get()
	if !known {
		return "unknown"
	}
	return fmt.Sprintf("%.4g %s (%s)", x, unit, b)
}

func machineWords(s Start, fresh bool) string {
	switch {
	case s.Machine == "":
		return "unknown"
	case fresh:
		return s.Machine + " (no starts of its own yet)"
	}
	return s.Machine
}
