package hazard

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/interpreter"

	"rollwarden/rules/event"
)

// Condition is a hazard that a shop adds by itself: a condition in the Common
// Expression Language over the facts of the table.
type Condition struct {
	Code     Code     `yaml:"code"`
	Title    string   `yaml:"title"`
	Priority Priority `yaml:"priority"`
	Scope    string   `yaml:"scope"` // next, queued or machine
	When     string   `yaml:"when"`
	Why      string   `yaml:"why"`
	Do       string   `yaml:"do"` // what to do about it
	Caution  string   `yaml:"caution"`
	Unknown  string   `yaml:"unknown"` // hold (default) or clear: what an unknown fact means
}

// conditionCost bounds the work of one evaluation, in CEL's own cost units.
const conditionCost = 10_000

var scopes = map[string]Scope{"": OnNext, "next": OnNext, "queued": OnQueued, "machine": OnMachine}

// compile type-checks the condition and makes a row of it.
func (c Condition) compile() (Row, error) {
	scope, ok := scopes[c.Scope]
	switch {
	case c.Code == "" || event.CheckName("code", string(c.Code)) != nil:
		return Row{}, faultf("want a name of letters, digits and -, got %q", c.Code).in("code")
	case c.Title == "":
		return Row{}, faultf("want a short title for the alarm list").in("title")
	case !ok:
		return Row{}, faultf("want next, queued or machine, got %q", c.Scope).in("scope")
	case c.Why == "":
		return Row{}, faultf("want a sentence that says why it is a hazard").in("why")
	case c.Unknown != "" && c.Unknown != "hold" && c.Unknown != "clear":
		return Row{}, faultf("want hold or clear, got %q", c.Unknown).in("unknown")
	case !slices.Contains(Priorities, c.Priority):
		return Row{}, faultf("want high, medium or low, got %q", c.Priority).in("priority")
	}
	eval, used, err := compileCEL(c.When)
	if err != nil {
		return Row{}, faultf("%w", err).in("when")
	}
	caution := c.Caution
	if caution == "" {
		caution = partsCaution
	}
	names := make([]string, len(used))
	for i, f := range used {
		names[i] = f.Name
	}
	return Row{
		Code: c.Code, Title: c.Title, Priority: c.Priority, Scope: scope,
		Knows: strings.Join(names, ", "), When: c.When, Why: c.Why,
		Remedies: []string{"own:" + c.Do}, Caution: caution,
		Check:    c.settle(eval),
		Clocked:  clocked(c.When, used),
		Evidence: func(s *Scene) []event.Evidence { return seeFacts(s, used) },
		Say:      func(*Scene) string { return c.Why },
	}, nil
}

// clocked reports whether time alone can change the condition's outcome.
func clocked(when string, used []*Fact) bool {
	return strings.Contains(when, "now") || slices.ContainsFunc(used, func(f *Fact) bool { return f.clocked })
}

// settle decides what an outcome that hangs on an unknown fact means. Unless
// the shop says otherwise, what is not known is not safe.
func (c Condition) settle(eval func(*Scene) Verdict) func(*Scene) Verdict {
	if c.Unknown == "clear" {
		return eval
	}
	return func(s *Scene) Verdict {
		if v := eval(s); v != Unsure {
			return v
		}
		return Holds
	}
}

func seeFacts(s *Scene, used []*Fact) []event.Evidence {
	out := make([]event.Evidence, len(used))
	for i, f := range used {
		value := "unknown"
		if v, ok := f.any(s); ok {
			value = fmt.Sprint(v)
		}
		out[i] = see(f.Name, value, "")
	}
	return out
}

func compileCEL(text string) (func(*Scene) Verdict, []*Fact, error) {
	options := []cel.EnvOption{cel.CrossTypeNumericComparisons(true), cel.Variable("now", cel.TimestampType)}
	for _, f := range Facts {
		options = append(options, cel.Variable(f.Name, celTypes[f.Kind]))
	}
	env, err := cel.NewEnv(options...)
	if err != nil {
		return nil, nil, fmt.Errorf("prepare the condition language: %w", err)
	}
	checked, issues := env.Compile(text)
	if issues.Err() != nil {
		e := issues.Errors()[0]
		return nil, nil, fmt.Errorf("line %d, column %d of the condition: %s", e.Location.Line(), e.Location.Column()+1, e.Message)
	}
	if checked.OutputType() != cel.BoolType {
		return nil, nil, fmt.Errorf("want a condition that is true or false, got one of type %s", checked.OutputType())
	}
	program, err := env.Program(checked, cel.EvalOptions(cel.OptOptimize, cel.OptPartialEval), cel.CostLimit(conditionCost))
	if err != nil {
		return nil, nil, fmt.Errorf("build the condition: %w", err)
	}
	used := factsIn(checked)
	return func(s *Scene) Verdict { return evaluate(program, used, s) }, used, nil
}

var celTypes = map[string]*cel.Type{"number": cel.DoubleType, "text": cel.StringType, "truth": cel.BoolType}

// evaluate runs a condition. A fact that is not known makes the outcome
// unsure only where the outcome hangs on it: CEL works that out.
func evaluate(program cel.Program, used []*Fact, s *Scene) Verdict {
	vars := facts{scene: s}
	for _, f := range used {
		if !f.see(s).known {
			vars.unknown = append(vars.unknown, interpreter.NewAttributePattern(f.Name))
		}
	}
	out, _, err := program.Eval(vars)
	switch {
	case err != nil || types.IsUnknown(out):
		return Unsure
	case out == ref.Val(types.True):
		return Holds
	}
	return Clear
}

// facts lets CEL look facts up in a scene by name.
type facts struct {
	scene   *Scene
	unknown []*interpreter.AttributePattern
}

func (f facts) ResolveName(name string) (any, bool) {
	if name == "now" {
		return f.scene.Now.In(time.UTC), true
	}
	fact, ok := FactByName(name)
	if !ok {
		return nil, false
	}
	return fact.any(f.scene)
}

func (facts) Parent() interpreter.Activation { return nil }

func (f facts) UnknownAttributePatterns() []*interpreter.AttributePattern { return f.unknown }

func (f facts) AsPartialActivation() (interpreter.PartialActivation, bool) { return f, true }

// factsIn lists the facts that a condition names.
func factsIn(checked *cel.Ast) []*Fact {
	var used []*Fact
	for _, r := range checked.NativeRep().ReferenceMap() {
		if f, ok := FactByName(r.Name); ok && !slices.Contains(used, f) {
			used = append(used, f)
		}
	}
	slices.SortFunc(used, func(a, b *Fact) int { return strings.Compare(a.Name, b.Name) })
	return used
}
