package hazard

import (
	"fmt"
	"math"
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/units"
)

const (
	hotCaution   = "The cure zone stays hot after a run: let it cool, and follow the machine's manual."
	partsCaution = "Keep hands, hair and sleeves away from the carriage and the nip; stop the machine by its own controls first. Rollwarden is no interlock."
	bladeCaution = "Blades cut: cut away from the body, on a mat, with the blade guarded."
)

// Builtin is the catalogue of hazards that Rollwarden knows by itself.
var Builtin = []Row{
	{
		Code: BareEdge, Title: "Bare edge before the cure zone", Priority: High, Scope: OnNext,
		Knows:    "film class, edge position, leader, cure exit",
		When:     "low-grade film is about to start with its edge, or its leader's end, short of the cure exit, or nobody knows where",
		Why:      "heat, fans and static lift a bare edge of cheap film in the cure zone; it folds into the print zone and the carriage hits it",
		Remedies: []string{"pause", "advance", "leader", "no-cut", "better-film", "shaped-edge", "cooler"},
		Caution:  partsCaution + " " + hotCaution + " " + bladeCaution,
		Check:    checkBareEdge, Evidence: seeBareEdge, Say: sayBareEdge,
	},
	{
		Code: WrongStock, Title: "Wrong stock loaded", Priority: High, Scope: OnNext,
		Knows:    "ticket's stock, class and width; the loaded roll",
		When:     "stock code, film class or width loaded differs from the ticket's",
		Why:      "the job comes out on the wrong film, and its cure and cutting settings do not fit",
		Remedies: []string{"load-stock", "ask-office"},
		Caution:  "Rolls are heavy: lift with help. " + partsCaution + " " + hotCaution,
		Check:    checkWrongStock, Evidence: seeWrongStock, Say: sayWrongStock,
	},
	{
		Code: HotRecipe, Title: "Recipe too hot for the film", Priority: Medium, Scope: OnQueued,
		Knows:    "planned cure temperature, film ceiling, contour cut",
		When:     "the planned cure is above the film's ceiling, which is lower for contour-cut work",
		Why:      "the film deforms: it lifts sooner, and the cutter no longer registers",
		Remedies: []string{"cooler", "more-passes", "better-film"},
		Caution:  hotCaution,
		HiddenBy: []Code{WrongStock},
		Steady:   true,
		Check:    checkHotRecipe, Evidence: seeHotRecipe, Say: sayHotRecipe, Worse: contourCut,
	},
	{
		Code: WeakCure, Title: "Cure too weak for the ink", Priority: Medium, Scope: OnQueued,
		Knows:    "passes, cure temperature, ink density, zone length, ink family",
		When:     "the dwell in the cure zone, made comparable by Arrhenius' law, is less than the ink load needs",
		Why:      "the print smears, sticks on the roll or fails under laminate",
		Remedies: []string{"more-passes", "hotter", "less-ink"},
		Caution:  hotCaution,
		HiddenBy: []Code{WrongStock},
		Steady:   true,
		Check:    checkWeakCure, Evidence: seeWeakCure, Say: sayWeakCure,
	},
	{
		Code: RegisterDrift, Title: "Print will not register on the cutter", Priority: Medium, Scope: OnQueued,
		Knows:    "film strain, cure temperature, mark spacing, cutter tolerance",
		When:     "the predicted print-to-cut residual between the marks exceeds the cutter's tolerance",
		Why:      "the contour misses the print and the job is reprinted",
		Remedies: []string{"closer-marks", "cooler", "more-passes", "better-film"},
		Caution:  bladeCaution,
		HiddenBy: []Code{WrongStock, HotRecipe},
		Steady:   true,
		Check:    checkRegisterDrift, Evidence: seeRegisterDrift, Say: sayRegisterDrift,
	},
	{
		Code: LowClearance, Title: "Too little room under the carriage", Priority: High, Scope: OnNext,
		Knows:    "thickness of film, liner and leader, lift allowance, carriage gap",
		When:     "film, liner, leader tape and the lift allowance together exceed the carriage gap",
		Why:      "the carriage touches the film even when it lies as it should",
		Remedies: []string{"raise-carriage", "thinner-leader", "load-stock"},
		Caution:  partsCaution,
		HiddenBy: []Code{WrongStock},
		Check:    checkLowClearance, Evidence: seeLowClearance, Say: sayLowClearance,
	},
	{
		Code: ShortRoll, Title: "Roll too short for the run", Priority: Medium, Scope: OnNext,
		Knows:    "metres left, planned metres, advance and tail",
		When:     "the metres left are fewer than planned, advance and tail together",
		Why:      "the roll ends inside the job, the job is lost and the tail can fly loose",
		Remedies: []string{"new-roll", "shorter-run"},
		Caution:  "Rolls are heavy: lift with help. " + partsCaution + " " + hotCaution,
		HiddenBy: []Code{WrongStock},
		Check:    checkShortRoll, Evidence: seeShortRoll, Say: sayShortRoll,
	},
	{
		Code: DryAir, Title: "Dry air", Priority: Low, Scope: OnMachine,
		Knows:    "relative humidity, film class",
		When:     "relative humidity is below the limit while film is loaded that does not lie flat by itself",
		Why:      "static charge builds up when air is dry and makes an edge lift more often",
		Remedies: []string{"humidify", "leader", "advance"},
		Caution:  "Static discharges: do not reach for film near solvents, and earth yourself as the machine's manual says. " + partsCaution + " " + hotCaution + " " + bladeCaution,
		Check:    checkDryAir, Evidence: seeDryAir, Say: sayDryAir, Worse: bareEdgeNow,
	},
	{
		Code: UnprovenHead, Title: "Head not proven to be well", Priority: High, Scope: OnMachine,
		Knows:    "last head strike, last nozzle check, last look for obstructions",
		When:     "nothing shows that nozzles are well and the carriage path is clear since the last head strike, or the last check found that they are not",
		Why:      "a piece of film left under the carriage strikes again, and lost nozzles spoil the next job",
		Remedies: []string{"check-head"},
		Caution:  "Look for film under the carriage only with the machine stopped and made safe as its manual says. " + hotCaution,
		Check:    checkUnprovenHead, Evidence: seeUnprovenHead, Say: sayUnprovenHead,
	},
	{
		Code: EarlyFinish, Title: "Finishing before the ink has rested", Priority: Low, Scope: OnQueued,
		Knows:    "end of the run, the ink's rest time, planned finishing or due time",
		When:     "laminating or cutting is planned, or due, before the ink's rest time is over",
		Why:      "laminate lifts and edges curl when finishing comes too early",
		Remedies: []string{"wait-rest", "start-sooner"},
		Caution:  bladeCaution,
		Steady:   true,
		Check:    checkEarlyFinish, Evidence: seeEarlyFinish, Say: sayEarlyFinish,
	},
	{
		Code: StaleFloor, Title: "The floor is not known", Priority: Low, Scope: OnMachine,
		Knows:    "when the machine was last heard, and every fact the rule book requires",
		When:     "work is planned, but the machine was silent for too long with a start due or a run on, or a required fact about roll, edge or ticket is unknown, or the machine is not configured",
		Why:      "what is not known cannot be judged, and is never treated as safe",
		Remedies: []string{"tell-floor"},
		OnDelay:  2 * time.Minute, // whoever loads a roll needs a moment to say where its edge is
		Caution:  partsCaution,
		Check:    checkStaleFloor, Evidence: seeStaleFloor, Say: sayStaleFloor,
	},
}

// Short formats for evidence.

func (s *Scene) mm(m units.Maybe) string   { return known(m, s.Display.Short) }
func (s *Scene) long(m units.Maybe) string { return known(m, s.Display.Long) }
func (s *Scene) temp(m units.Maybe) string { return known(m, s.Display.Temp) }

func known(m units.Maybe, format func(float64) string) string {
	if v, ok := m.Get(); ok {
		return format(v)
	}
	return "unknown"
}

func microns(m units.Maybe) string {
	return known(m, func(v float64) string { return fmt.Sprintf("%.0f µm", v) })
}

func word(s string) string {
	if s == "" {
		return "unknown"
	}
	return s
}

func see(name, value, limit string) event.Evidence {
	return event.Evidence{Name: name, Value: value, Limit: limit}
}

func contourCut(s *Scene) bool { t := s.ticket(); return t != nil && t.ContourCut }

// Bare edge. A next run is only about to start from a bare edge when nothing
// runs, since film that feeds hangs together with what runs now, and when film
// is on: a machine whose roll was just taken off is known to be empty.

func checkBareEdge(s *Scene) Verdict {
	if s.Loaded.LiesFlat || s.Phase == Queued && (s.Machine.Run != nil || s.empty()) {
		return Clear
	}
	front, ok := s.frontMM().Get()
	switch {
	case !ok || front < s.Plant.Path.CureExitMM:
		return Holds
	case s.Plant.Path.Assumed:
		return Unsure // it lies past a guess
	}
	return Clear
}

// cureExit is where the cure zone ends, and says when that is a guess.
func (s *Scene) cureExit() string {
	exit := s.Display.Short(s.Plant.Path.CureExitMM)
	if s.Plant.Path.Assumed {
		exit += " (guessed)"
	}
	return exit
}

// empty reports whether the roll is known to have been taken off. That no roll
// was ever heard of is another thing: then nobody knows what is on.
func (s *Scene) empty() bool { return !s.Machine.Roll.Loaded && !s.Machine.Roll.At.IsZero() }

func bareEdgeNow(s *Scene) bool { return s.Run != nil && checkBareEdge(s) == Holds }

func seeBareEdge(s *Scene) []event.Evidence {
	leader := "none"
	if s.Machine.Leader.On {
		leader = s.Display.Short(s.Machine.Leader.LengthMM)
	}
	return []event.Evidence{
		see("film", s.filmName(), ""),
		see("edge", s.mm(s.Machine.Edge.PositionMM), "cure exit "+s.cureExit()),
		see("leader", leader, "needed "+s.Display.Short(s.NewLeaderMM())),
		see("last movement", word(s.Machine.Edge.Cause), ""),
		see("cure", s.temp(s.cureC()), ""),
		see("humidity", known(s.Climate.RHPct, func(v float64) string { return fmt.Sprintf("%.0f %%", v) }), ""),
	}
}

func (s *Scene) filmName() string {
	if !s.Machine.Roll.Loaded {
		return "unknown roll"
	}
	if s.Loaded.Stock == "" {
		return "unnamed film (class " + string(s.Loaded.Class) + ")"
	}
	if s.Loaded.Class == event.Unknown {
		return s.Loaded.Stock + " (class unknown)"
	}
	return s.Loaded.Stock + " (" + string(s.Loaded.Class) + ")"
}

func sayBareEdge(s *Scene) string {
	exit := s.cureExit()
	edge, ok := s.Machine.Edge.PositionMM.Get()
	switch {
	case !ok:
		return fmt.Sprintf("nobody knows where the edge of %s is; the cure zone ends at %s", s.filmName(), exit)
	case checkBareEdge(s) == Unsure:
		return fmt.Sprintf("%s reaches to %s, and nobody has measured where the cure zone ends: %s", s.filmName(), s.mm(s.frontMM()), exit)
	case s.Machine.Leader.On:
		return fmt.Sprintf("the leader on %s ends at %s, short of the cure exit at %s", s.filmName(), s.mm(s.frontMM()), exit)
	}
	return fmt.Sprintf("the bare edge of %s lies at %s, short of the cure exit at %s", s.filmName(), s.Display.Short(edge), exit)
}

// Wrong stock.

func checkWrongStock(s *Scene) Verdict {
	t := s.ticket()
	if t == nil || !s.Machine.Roll.Loaded {
		return Unsure
	}
	if s.stockDiffers() || s.classDiffers() || s.widthDiffers() {
		return Holds
	}
	switch {
	case t.Stock == "" && !classKnown(t.FilmClass):
		return Unsure
	case s.stocksCompare() || t.Stock == "" && s.classesCompare():
		return Clear
	}
	return Unsure
}

// stocksCompare and classesCompare report whether both sides are known.
func (s *Scene) stocksCompare() bool { return s.asked().Stock != "" && s.Machine.Roll.Stock != "" }
func (s *Scene) classesCompare() bool {
	return classKnown(s.Wanted.Class) && classKnown(s.Loaded.Class)
}

func classKnown(c event.Class) bool { return c != "" && c != event.Unknown }

func (s *Scene) stockDiffers() bool {
	want, have := s.asked().Stock, s.Machine.Roll.Stock
	return want != "" && have != "" && want != have
}

func (s *Scene) classDiffers() bool {
	return classKnown(s.Wanted.Class) && classKnown(s.Loaded.Class) && s.Wanted.Class != s.Loaded.Class
}

func (s *Scene) widthDiffers() bool {
	want, ok := units.From(s.asked().RollWidthMM).Get()
	have, ok2 := s.Machine.Roll.WidthMM.Get()
	return ok && ok2 && math.Abs(want-have) > s.Rules.WidthSlackMM
}

func seeWrongStock(s *Scene) []event.Evidence {
	t := s.asked()
	return []event.Evidence{
		see("stock loaded", word(s.Machine.Roll.Stock), "ticket "+word(t.Stock)),
		see("class loaded", string(s.Loaded.Class), "ticket "+word(string(s.Wanted.Class))),
		see("width loaded", s.mm(s.Machine.Roll.WidthMM), "ticket "+s.mm(units.From(t.RollWidthMM))),
	}
}

func sayWrongStock(s *Scene) string {
	t := s.asked()
	switch {
	case s.stockDiffers():
		return fmt.Sprintf("the ticket asks for %s, but %s is loaded", t.Stock, s.Machine.Roll.Stock)
	case s.classDiffers():
		return fmt.Sprintf("the ticket asks for %s film, but %s is loaded", s.Wanted.Class, s.Loaded.Class)
	}
	return fmt.Sprintf("the ticket asks for a roll %s wide, but %s is loaded", s.mm(units.From(t.RollWidthMM)), s.mm(s.Machine.Roll.WidthMM))
}

// Recipe and cure.

func (s *Scene) ceilingC() float64 {
	if contourCut(s) {
		return s.Wanted.ContourCeilingC
	}
	return s.Wanted.CeilingC
}

func checkHotRecipe(s *Scene) Verdict {
	cure, ok := s.cureC().Get()
	if !ok {
		return Unsure
	}
	return holdsIf(cure > s.ceilingC())
}

func seeHotRecipe(s *Scene) []event.Evidence {
	return []event.Evidence{
		see("cure", s.temp(s.cureC()), "ceiling "+s.Display.Temp(s.ceilingC())),
		see("film", word(s.Wanted.Stock)+" ("+string(s.Wanted.Class)+")", ""),
		see("contour cut", yesNo(contourCut(s)), ""),
	}
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func sayHotRecipe(s *Scene) string {
	use := ""
	if contourCut(s) {
		use = " for contour-cut work"
	}
	return fmt.Sprintf("the cure is set to %s, above the %s that %s film bears%s", s.temp(s.cureC()), s.Display.Temp(s.ceilingC()), s.Wanted.Class, use)
}

// density is the ticket's ink density, or the one the rule book assumes.
func (s *Scene) density() (pct float64, assumed bool) {
	if t := s.ticket(); t != nil && t.InkDensityPct != nil {
		return *t.InkDensityPct, false
	}
	return s.Rules.AssumedDensityPct, true
}

// dose returns the dwell that the run gets and the dwell that its ink needs,
// both in s at the ink's reference temperature.
func (s *Scene) dose() (got, need float64, ok bool) {
	passes, ok1 := s.passes().Get()
	cure, ok2 := s.cureC().Get()
	if !ok1 || !ok2 {
		return 0, 0, false
	}
	pct, _ := s.density()
	return s.Plant.Ink.EquivalentDwell(s.Plant.Dwell(passes), cure), s.Plant.Ink.NeededDwell(pct), true
}

func checkWeakCure(s *Scene) Verdict {
	got, need, ok := s.dose()
	if !ok {
		return Unsure
	}
	return holdsIf(got < need)
}

func seeWeakCure(s *Scene) []event.Evidence {
	got, need, _ := s.dose()
	pct, assumed := s.density()
	ink := fmt.Sprintf("%.0f %%", pct)
	if assumed {
		ink += " (assumed, the ticket does not say)"
	}
	return []event.Evidence{
		see("equivalent dwell", fmt.Sprintf("%.0f s at %s", got, s.Display.Temp(s.Plant.Ink.ReferenceC)), fmt.Sprintf("needed %.0f s", need)),
		see("passes", known(s.passes(), func(v float64) string { return fmt.Sprintf("%.0f", v) }), ""),
		see("cure", s.temp(s.cureC()), ""),
		see("ink density", ink, ""),
	}
}

func sayWeakCure(s *Scene) string {
	got, need, _ := s.dose()
	return fmt.Sprintf("%.0f passes at %s give %.0f s of cure where the ink needs %.0f s", s.passes().Or(0), s.temp(s.cureC()), got, need)
}

// Register.

func (s *Scene) residual() (mm float64, ok bool) {
	t := s.ticket()
	cure, known := s.cureC().Get()
	if t == nil || t.MarkSpacingMM == nil || !known {
		return 0, false
	}
	feed, cross := s.Spans(*t.MarkSpacingMM)
	return s.Drift.Residual(&s.Wanted, cure, feed, cross), true
}

func checkRegisterDrift(s *Scene) Verdict {
	if !contourCut(s) {
		if s.ticket() == nil {
			return Unsure
		}
		return Clear
	}
	mm, ok := s.residual()
	if !ok {
		return Unsure
	}
	return holdsIf(mm > s.Plant.ToleranceMM)
}

func seeRegisterDrift(s *Scene) []event.Evidence {
	mm, _ := s.residual()
	return []event.Evidence{
		see("predicted residual", fmt.Sprintf("%.2f mm", mm), fmt.Sprintf("tolerance %.2f mm", s.Plant.ToleranceMM)),
		see("mark spacing", s.mm(units.From(s.asked().MarkSpacingMM)), ""),
		see("cure", s.temp(s.cureC()), ""),
		see("basis", s.Drift.Basis(&s.Wanted), ""),
	}
}

func sayRegisterDrift(s *Scene) string {
	mm, _ := s.residual()
	return fmt.Sprintf("about %.2f mm stay between marks %s apart, and the cutter forgives %.2f mm",
		mm, s.mm(units.From(s.asked().MarkSpacingMM)), s.Plant.ToleranceMM)
}

// Clearance.

func (s *Scene) stackUM() units.Maybe {
	stack := s.thicknessUM().Plus(s.Rules.LiftAllowanceUM)
	if s.Machine.Leader.On {
		t, ok := s.Machine.Leader.ThicknessUM.Get()
		if !ok {
			return units.Maybe{}
		}
		stack = stack.Plus(t)
	}
	return stack
}

func checkLowClearance(s *Scene) Verdict {
	stack, ok := s.stackUM().Get()
	if !ok {
		return Unsure
	}
	return holdsIf(stack > s.Plant.Path.GapUM)
}

func seeLowClearance(s *Scene) []event.Evidence {
	leader := "none"
	if s.Machine.Leader.On {
		leader = microns(s.Machine.Leader.ThicknessUM)
	}
	return []event.Evidence{
		see("height", microns(s.stackUM()), "carriage gap "+microns(units.Some(s.Plant.Path.GapUM))),
		see("film with liner", microns(s.thicknessUM()), ""),
		see("leader", leader, ""),
		see("lift allowance", microns(units.Some(s.Rules.LiftAllowanceUM)), ""),
	}
}

func sayLowClearance(s *Scene) string {
	return fmt.Sprintf("film, leader and lift allowance make %s, and the carriage gap is %s", microns(s.stackUM()), microns(units.Some(s.Plant.Path.GapUM)))
}

// Roll length.

// needM is how many metres the run will still take off the roll.
func (s *Scene) needM() units.Maybe {
	planned, _ := s.PlannedM()
	need := planned.Plus(s.Rules.TailM)
	if s.Phase == Running {
		return need.Plus(-s.Run.FedM.Or(0))
	}
	if now := s.Machine.Run; now != nil {
		// What runs now takes its share first.
		whole, _ := plannedM(now)
		rest, known := whole.Plus(-now.FedM.Or(0)).Get()
		if !known {
			return units.Maybe{}
		}
		need = need.Plus(max(0, rest))
	}
	if checkBareEdge(s) == Holds {
		need = need.Plus(s.ClearAdvanceMM() / 1000)
	}
	return need
}

func checkShortRoll(s *Scene) Verdict {
	need, ok := s.needM().Get()
	left, ok2 := s.Machine.Roll.LeftM.Get()
	if !ok || !ok2 {
		return Unsure
	}
	return holdsIf(left < need)
}

func seeShortRoll(s *Scene) []event.Evidence {
	planned, fromArea := s.PlannedM()
	plan := s.long(planned)
	if fromArea {
		plan += " (from the ticket's area and roll width)"
	}
	return []event.Evidence{
		see("left on the roll", s.long(s.Machine.Roll.LeftM), "needed "+s.long(s.needM())),
		see("planned", plan, ""),
		see("tail", s.Display.Long(s.Rules.TailM), ""),
	}
}

func sayShortRoll(s *Scene) string {
	return fmt.Sprintf("%s are left on the roll and the run needs %s with advance and tail", s.long(s.Machine.Roll.LeftM), s.long(s.needM()))
}

// Air.

func checkDryAir(s *Scene) Verdict {
	if !s.Machine.Roll.Loaded || s.Loaded.LiesFlat {
		return Clear
	}
	rh, ok := s.Climate.RHPct.Get()
	if !ok {
		return Unsure
	}
	return holdsIf(rh < s.Rules.DryAirPct)
}

func seeDryAir(s *Scene) []event.Evidence {
	return []event.Evidence{
		see("humidity", known(s.Climate.RHPct, func(v float64) string { return fmt.Sprintf("%.0f %%", v) }), fmt.Sprintf("limit %.0f %%", s.Rules.DryAirPct)),
		see("air temperature", s.temp(s.Climate.TempC), ""),
		see("film", s.filmName(), ""),
	}
}

func sayDryAir(s *Scene) string {
	return fmt.Sprintf("relative humidity is %.0f %%, below %.0f %%, with %s loaded", s.Climate.RHPct.Or(0), s.Rules.DryAirPct, s.filmName())
}

// Head.

func checkUnprovenHead(s *Scene) Verdict { return holdsIf(s.Machine.Head.Unproven) }

func seeUnprovenHead(s *Scene) []event.Evidence {
	h, struck := s.Machine.Head, "none recorded"
	if !h.StruckAt.IsZero() {
		struck = h.StruckAt.UTC().Format(time.RFC3339)
	}
	return []event.Evidence{
		see("head strike", struck, ""),
		see("nozzle check good", yesNo(h.NozzlesOK), ""),
		see("carriage path clear", yesNo(h.Clear), ""),
		see("nozzles lost", known(h.NozzlesLost, func(v float64) string { return fmt.Sprintf("%.0f", v) }), ""),
	}
}

func sayUnprovenHead(s *Scene) string {
	switch h := s.Machine.Head; {
	case !h.CheckedAt.After(h.StruckAt):
		return "neither a nozzle check nor a look for obstructions is recorded since the last head strike"
	case h.Clear:
		return "the carriage path is clear, but the last check did not find the nozzles well"
	case h.NozzlesOK:
		return "the nozzles are well, but the last check did not find the carriage path clear"
	}
	return "the last check found neither the nozzles well nor the carriage path clear"
}

// Rest.

func checkEarlyFinish(s *Scene) Verdict {
	t := s.ticket()
	if t == nil {
		return Unsure
	}
	rest := s.restS()
	if rest == 0 || !t.Laminate && !t.ContourCut || s.Phase == Resting && s.Run.Cut {
		return Clear
	}
	by := s.finishBy()
	if by.IsZero() {
		return Clear // nothing says when; the ticket plans no early finish
	}
	rested := s.printedBy().Add(units.Seconds(rest))
	switch {
	case s.Phase == Resting && !s.Now.Before(rested):
		return Clear
	case rested.After(by):
		return Holds
	case s.Phase != Resting && !s.DurationS().Known():
		return Unsure // it ends later than assumed, and nobody knows by how much
	}
	return Clear
}

func seeEarlyFinish(s *Scene) []event.Evidence {
	return []event.Evidence{
		see("finishing planned", s.finishBy().UTC().Format(time.RFC3339), ""),
		see("rested", s.printedBy().Add(units.Seconds(s.restS())).UTC().Format(time.RFC3339), ""),
		see("rest needed", units.Span(units.Seconds(s.restS())), ""),
		see("ink family", s.Plant.Ink.Family, ""),
	}
}

func sayEarlyFinish(s *Scene) string {
	short := s.printedBy().Add(units.Seconds(s.restS())).Sub(s.finishBy())
	return fmt.Sprintf("finishing is planned %s before the ink has rested its %s", units.Span(short), units.Span(units.Seconds(s.restS())))
}

// What is not known.

// silent reports whether the machine was not heard for too long although it
// should have been: a run is on, or its start is due. Silence before that, as
// over a night, says nothing.
func (s *Scene) silent() bool {
	if s.Phase == Queued && s.ReadyAt.After(s.Now) {
		return false
	}
	return s.Machine.LastHeard.IsZero() || !s.Now.Before(s.Machine.LastHeard.Add(s.Rules.StaleAfter))
}

func checkStaleFloor(s *Scene) Verdict {
	if s.Run == nil {
		return Clear // no work is planned: nothing is about to be risked
	}
	if !s.Plant.Configured || s.silent() {
		return Holds
	}
	for _, f := range s.Rules.required {
		if f.missing(s) {
			return Holds
		}
	}
	return Clear
}

func seeStaleFloor(s *Scene) []event.Evidence {
	var out []event.Evidence
	if !s.Plant.Configured {
		out = append(out, see("machine", "not configured with all its measures", "rollwarden check says what is missing"))
	}
	if s.silent() {
		heard := "never"
		if !s.Machine.LastHeard.IsZero() {
			heard = units.Span(s.Now.Sub(s.Machine.LastHeard)) + " ago"
		}
		out = append(out, see("last heard", heard, "limit "+units.Span(s.Rules.StaleAfter)))
	}
	for _, f := range s.Rules.required {
		if f.missing(s) {
			out = append(out, see(f.Doc, "unknown", f.Learn))
		}
	}
	return out
}

func sayStaleFloor(s *Scene) string {
	seen := seeStaleFloor(s)
	if len(seen) == 0 {
		return "everything required is known"
	}
	text := "not known: "
	for i, e := range seen {
		if i > 0 {
			text += ", "
		}
		if e.Value == "unknown" {
			text += e.Name
		} else {
			text += e.Name + " " + e.Value
		}
	}
	return text
}

// Wake returns the next moment at which time alone can change a verdict of
// the scene; zero when only an event can.
func Wake(s *Scene) time.Time {
	var at time.Time
	sooner := func(t time.Time) {
		if t.After(s.Now) && (at.IsZero() || t.Before(at)) {
			at = t
		}
	}
	if s.Rules.ticking {
		sooner(s.Now.Truncate(time.Minute).Add(time.Minute))
	}
	if s.Run != nil {
		sooner(s.ReadyAt)
		if !s.Machine.LastHeard.IsZero() {
			sooner(s.Machine.LastHeard.Add(s.Rules.StaleAfter))
		}
	}
	if by := s.finishBy(); !by.IsZero() {
		// Rested just in time is in time, so the first moment too late counts.
		rest := units.Seconds(s.restS())
		late := by.Add(-rest).Add(time.Nanosecond)
		switch s.Phase {
		case Resting:
			sooner(s.Run.Ended.Add(rest))
		case Running:
			sooner(late)
		default:
			sooner(late.Add(-units.Seconds(s.DurationS().Or(0))))
		}
	}
	return at
}
