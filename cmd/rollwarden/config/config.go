// Package config reads the one file in which a shop describes itself, lays the
// environment over it, and turns both into what the other packages ask for.
//
// Nothing has to be set: with no file at all the watch runs on loopback
// addresses with one machine whose geometry is marked as not measured. What is
// set is checked in full. Unknown keys and variables are refused with the
// likely word, every value is checked against its range, and all problems come
// at once, each with file, line and column, the key, what was expected and
// what was there.
//
// The limits of a value stand in the tags min, max and enum of its field. A
// field with the tag secret is never read from the file: it comes from the
// environment or from a file of its own.
package config

import (
	"time"

	"rollwarden/rules/event"
	"rollwarden/rules/hazard"
)

// Config is everything that a shop can set. Create it with Load or Default.
type Config struct {
	Shop     Shop                 `yaml:"shop"`
	Data     Data                 `yaml:"data"`
	NATS     NATS                 `yaml:"nats"`
	HTTP     HTTP                 `yaml:"http"`
	Tickets  Tickets              `yaml:"tickets"`
	Sources  Sources              `yaml:"sources"`
	Rules    Rules                `yaml:"rules"`
	Machines []Machine            `yaml:"machines"`
	Inks     map[string]Ink       `yaml:"inks"`
	Classes  map[event.Class]Film `yaml:"classes"`
	Stocks   []Stock              `yaml:"stocks"`
	Costs    Costs                `yaml:"costs"`
	Queue    Queue                `yaml:"queue"`
	Odds     Odds                 `yaml:"odds"`
	Pager    Pager                `yaml:"pager"`
	Alarms   Alarms               `yaml:"alarms"`
	Report   Report               `yaml:"report"`
	Log      Log                  `yaml:"log"`

	File     string   // the file that was read; empty for none
	Chosen   string   // why that file was read, or that none was
	Warnings []string // what is allowed but worth a look
	Exposed  []string // those of the warnings that tell of a secret which others can read

	origins origins
	book    *hazard.Book // nil for the catalogue's own defaults
}

// Shop says who is watched and how people there want to read values.
type Shop struct {
	Name        string   `yaml:"name"`
	TimeZone    string   `yaml:"time_zone"`
	Temperature string   `yaml:"temperature" enum:"C,F"`
	Length      string   `yaml:"length" enum:"metric,imperial"`
	Clock       string   `yaml:"clock" enum:"24h,12h"`
	Language    string   `yaml:"language"`
	Texts       string   `yaml:"texts"`
	Currency    string   `yaml:"currency"`
	Shifts      []string `yaml:"shifts"`
}

// Data says where the watch keeps what must survive a restart.
type Data struct {
	Folder string `yaml:"folder"`
}

// NATS says where the journal lives: in this process, or on a server that
// somebody else runs when URL is set.
type NATS struct {
	URL             string        `yaml:"url"`
	User            string        `yaml:"user"`
	Password        Secret        `secret:"password"`
	PasswordFile    string        `yaml:"password_file"`
	CredentialsFile string        `yaml:"credentials_file"`
	TLS             TLS           `yaml:"tls"`
	Listen          string        `yaml:"listen"`
	SyncAlways      bool          `yaml:"sync_always"`
	MaxStore        Bytes         `yaml:"max_store" min:"16MiB" max:"1PiB"`
	Keep            time.Duration `yaml:"keep" min:"0s" max:"876000h"`
	Replicas        int           `yaml:"replicas" min:"0" max:"5"`
	NATSServer      `yaml:",inline"`
	NATSShare       `yaml:",inline"`
}

// TLS names the files that protect a connection.
type TLS struct {
	CAFile   string `yaml:"ca_file"`
	CertFile string `yaml:"cert_file"`
	KeyFile  string `yaml:"key_file"`
}

// HTTP says where the board is served, and who may see it and do something
// there.
type HTTP struct {
	Listen           string        `yaml:"listen"`
	PublicURL        string        `yaml:"public_url"`
	Hosts            []string      `yaml:"hosts"`
	TLS              Certificate   `yaml:"tls"`
	BehindProxy      bool          `yaml:"behind_proxy"`
	Users            []User        `yaml:"users"`
	Tokens           []Token       `yaml:"tokens"`
	LoginIdle        time.Duration `yaml:"login_idle" min:"1m" max:"720h"`
	LoginLasts       time.Duration `yaml:"login_lasts" min:"1m" max:"720h"`
	Streams          int           `yaml:"streams" min:"1" max:"100000"`
	StreamsPerClient int           `yaml:"streams_per_client" min:"1" max:"100000"`
}

// Certificate names the files by which a server proves who it is.
type Certificate struct {
	CertFile string `yaml:"cert_file"`
	KeyFile  string `yaml:"key_file"`
}

// User is a person who logs in. The hash tells nobody the password, and yet is
// held like a secret: whoever has it can try passwords as fast as he likes.
type User struct {
	Name             string `yaml:"name"`
	Role             string `yaml:"role" enum:"viewer,operator,supervisor"`
	PasswordHash     Secret `yaml:"password_hash"`
	PasswordHashFile string `yaml:"password_hash_file"`
}

// Token is a program that shows a bearer token, which a file or a variable of
// the environment holds.
type Token struct {
	Name      string `yaml:"name"`
	Role      string `yaml:"role" enum:"viewer,operator,supervisor"`
	TokenFile string `yaml:"token_file"`
	Env       string `yaml:"env"`

	Secret Secret // read from there
}

// Tickets says where job tickets are dropped and how the shop writes them.
type Tickets struct {
	Folder  string                 `yaml:"folder"`
	Site    string                 `yaml:"site"`
	Settle  time.Duration          `yaml:"settle" min:"100ms" max:"10m"`
	MaxWait time.Duration          `yaml:"max_wait" min:"1s" max:"24h"`
	Poll    time.Duration          `yaml:"poll" min:"1s" max:"1h"`
	Keys    map[string][]Key       `yaml:"keys"`
	Classes map[string]event.Class `yaml:"classes"`
}

// Key is one place in a ticket where a value may stand.
type Key struct {
	Attribute string `yaml:"attribute"`
	GeneralID string `yaml:"general_id"`
	Unit      string `yaml:"unit"`
}

// Rules says which rule book is used.
type Rules struct {
	Book               string  `yaml:"book"`
	UncompensatedShare float64 `yaml:"uncompensated_share" min:"0" max:"1"`
}

// Machine is one printer. A length that is nil has not been measured.
type Machine struct {
	Site        string   `yaml:"site"`
	Name        string   `yaml:"name"`
	DeviceIDs   []string `yaml:"device_ids"`
	Folder      string   `yaml:"folder"`
	Path        Path     `yaml:"path"`
	SwathMM     *float64 `yaml:"swath_mm" min:"1" max:"2000"`
	StrokeS     *float64 `yaml:"stroke_s" min:"0.05" max:"120"`
	MaxWidthMM  *float64 `yaml:"max_width_mm" min:"50" max:"20000"`
	Ink         string   `yaml:"ink"`
	ToleranceMM *float64 `yaml:"tolerance_mm" min:"0.01" max:"100"`
}

// Path is the feed path of a machine; positions are mm downstream of the
// print line.
type Path struct {
	CureEntryMM   *float64 `yaml:"cure_entry_mm" min:"-1000" max:"20000"`
	CureExitMM    *float64 `yaml:"cure_exit_mm" min:"0" max:"20000"`
	TakeUpMM      *float64 `yaml:"take_up_mm" min:"0" max:"100000"`
	CarriageGapUM *float64 `yaml:"carriage_gap_um" min:"100" max:"50000"`
}

// Ink is one ink family.
type Ink struct {
	ActivationJPerMol *float64      `yaml:"activation_j_per_mol" min:"1000" max:"500000"`
	ReferenceC        *float64      `yaml:"reference_c" min:"20" max:"300"`
	NeedS             *float64      `yaml:"need_s" min:"0.1" max:"3600"`
	RestLaminate      time.Duration `yaml:"rest_laminate" min:"0s" max:"720h"`
	RestCut           time.Duration `yaml:"rest_cut" min:"0s" max:"720h"`
}

// Film is what a shop knows better than the class defaults; what is nil or
// empty is left to them.
type Film struct {
	ThicknessUM     *float64 `yaml:"thickness_um" min:"10" max:"20000"`
	PricePerM2      Decimal  `yaml:"price_per_m2"`
	CeilingC        *float64 `yaml:"ceiling_c" min:"20" max:"300"`
	ContourCeilingC *float64 `yaml:"contour_ceiling_c" min:"20" max:"300"`
	OnsetC          *float64 `yaml:"onset_c" min:"20" max:"300"`
	StrainPerC      *float64 `yaml:"strain_per_c" min:"-0.01" max:"0.01"`
	LiesFlat        *bool    `yaml:"lies_flat"`
}

// Stock is one stock code of the shop.
type Stock struct {
	Code    string      `yaml:"code"`
	Class   event.Class `yaml:"class"`
	WidthMM *float64    `yaml:"width_mm" min:"50" max:"20000"`
	Film    `yaml:",inline"`
	InStock *bool `yaml:"in_stock"`
}

// Costs are what work, standstill and a head strike cost, in the shop's
// currency.
type Costs struct {
	LabourPerHour      Decimal       `yaml:"labour_per_hour"`
	DowntimePerHour    Decimal       `yaml:"downtime_per_hour"`
	HeadSharePerStrike Decimal       `yaml:"head_share_per_strike"`
	LeaderTape         Decimal       `yaml:"leader_tape"`
	StrikeDowntime     time.Duration `yaml:"strike_downtime" min:"0s" max:"720h"`
	StrikeReprintM2    float64       `yaml:"strike_reprint_m2" min:"0" max:"10000"`
	LeaderWork         time.Duration `yaml:"leader_work" min:"0s" max:"2h"`
	AdvanceWork        time.Duration `yaml:"advance_work" min:"0s" max:"2h"`
	ShapeWork          time.Duration `yaml:"shape_work" min:"0s" max:"2h"`
	PauseStandstill    time.Duration `yaml:"pause_standstill" min:"0s" max:"24h"`
	CoolerSlowerPct    float64       `yaml:"cooler_slower_pct" min:"0" max:"1000"`
}

// Queue says what the order of a queue costs besides; the amount is in
// Shop.Currency.
type Queue struct {
	LatePerHour Decimal       `yaml:"late_per_hour"`
	ChangeWork  time.Duration `yaml:"change_work" min:"0s" max:"24h"`
	ThreadM     float64       `yaml:"thread_m" min:"0" max:"100"`
	UsualRollM  float64       `yaml:"usual_roll_m" min:"1" max:"10000"`
}

// Odds are the odds of a head strike before the shop's own log says better.
type Odds struct {
	Bare          map[event.Class]float64 `yaml:"bare" min:"0" max:"1"`
	Treatment     map[string]float64      `yaml:"treatment" min:"0" max:"10"`
	DryBelowRHPct float64                 `yaml:"dry_below_rh_pct" min:"0" max:"100"`
	DryFactor     float64                 `yaml:"dry_factor" min:"1" max:"10"`
	Learn         bool                    `yaml:"learn"`
	PriorStarts   float64                 `yaml:"prior_starts" min:"1" max:"10000"`
	MachineStarts float64                 `yaml:"machine_starts" min:"1" max:"10000"`
}

// Pager says who is told of an alarm, and how.
type Pager struct {
	Routes       Routes        `yaml:"routes"`
	GiveUpAfter  time.Duration `yaml:"give_up_after" min:"1m" max:"168h"`
	RunbookURL   string        `yaml:"runbook_url"`
	Alertmanager Alertmanager  `yaml:"alertmanager"`
	Webhook      Webhook       `yaml:"webhook"`
	Mail         Mail          `yaml:"mail"`
}

// Routes names the channels of each priority.
type Routes struct {
	High   []string `yaml:"high"`
	Medium []string `yaml:"medium"`
	Low    []string `yaml:"low"`
}

// Alertmanager is used when URL is set.
type Alertmanager struct {
	URL               string        `yaml:"url"`
	Authorization     Secret        `secret:"authorization"`
	AuthorizationFile string        `yaml:"authorization_file"`
	ResendEvery       time.Duration `yaml:"resend_every" min:"1s" max:"1h"`
}

// Webhook is used when URL is set. The address is held like a secret, because
// many receivers put a token into it.
type Webhook struct {
	URL         Secret   `yaml:"url"`
	Secret      Secret   `secret:"secret"`
	SecretFiles []string `yaml:"secret_files"`

	fromFiles []Secret
}

// Mail is used when Host is set.
type Mail struct {
	Host         string   `yaml:"host"`
	Port         int      `yaml:"port" min:"0" max:"65535"`
	TLS          string   `yaml:"tls" enum:"starttls,tls,none"`
	Username     string   `yaml:"username"`
	Password     Secret   `secret:"password"`
	PasswordFile string   `yaml:"password_file"`
	From         string   `yaml:"from"`
	To           []string `yaml:"to"`
}

// Alarms says how alarms behave.
type Alarms struct {
	Lapse time.Duration `yaml:"lapse" min:"1m" max:"720h"`
}

// Report says what becomes of the report of each month that is over. Without a
// format none is written, and MailTo needs pager.mail.
type Report struct {
	Formats []string `yaml:"formats" enum:"html,pdf,csv,xlsx,json"`
	Folder  string   `yaml:"folder"`
	MailTo  []string `yaml:"mail_to"`
}

// Log says what the program writes about itself.
type Log struct {
	Level  string `yaml:"level" enum:"trace,debug,info,warn,error"`
	Format string `yaml:"format" enum:"json,console"`
}
