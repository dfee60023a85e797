package doctor

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"rollwarden/cmd/rollwarden/config"
	"rollwarden/rules"
	"rollwarden/watcher/folder"
	"rollwarden/watcher/journal"
	"rollwarden/watcher/pager"
)

// checks is everything that is looked at, in this order.
var checks = []struct {
	name string
	run  func(*examination)
}{
	{"version", version},
	{"configuration", configuration},
	{"rule book", ruleBook},
	{"data folder", dataFolder},
	{"ticket folders", ticketFolders},
	{"file notices", notices},
	{"open files", openFiles},
	{"clock", clock},
	{"disk", disk},
	{"NATS", natsServer},
	{"journal", journalEntries},
	{"snapshots", snapshots},
	{"board", board},
	{"certificate", certificate},
	{"secrets", secrets},
	{"pager", pagerChannels},
}

// The limits by which things are judged: common practice, no source.
const (
	leastFree     = 256 << 20 // bytes, below which a disk counts as full
	leastInodes   = 1000
	leastFiles    = 1024 // open files: the store's, the pages' and the folders'
	leastWatches  = 8192 // inotify's, for all programs of a user
	fullFrom      = 0.8  // share of nats.max_store
	mostAhead     = time.Minute
	renewWithin   = 14 * 24 * time.Hour // of a certificate
	slowPoll      = time.Minute
	answerWithin  = 5 * time.Second
	openWithin    = 2 * time.Minute
	pageWithin    = 30 * time.Second
	inotifyLimits = "/proc/sys/fs/inotify/"
)

func version(x *examination) {
	x.ok("rollwarden %s, %s on %s/%s", x.Version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

func configuration(x *examination) {
	c := x.Config
	x.ok("%s; machines: %d, stocks: %d", c.Chosen, len(c.Machines), len(c.Stocks))
	for _, warning := range c.Warnings {
		if !slices.Contains(c.Exposed, warning) { // the check of secrets tells those
			x.add(Look, warning, "", "")
		}
	}
}

func ruleBook(x *examination) {
	site, err := x.Config.Site()
	if err != nil {
		x.add(Broken, err.Error(), "the watch cannot start", "correct the configuration")
		return
	}
	for _, c := range site.Book.Cases {
		if err := rules.RunCase(site, c); err != nil {
			x.add(Broken, err.Error(), "the rule book does not judge as you wrote that it should", "correct the rule book or its case; rollwarden check runs the cases")
		}
	}
	x.well("%d hazards, %d cases", len(site.Book.Rows), len(site.Book.Cases))
}

func dataFolder(x *examination) {
	folder := x.Config.DataFolder()
	if !x.writable(folder, "journal and snapshots are kept there") {
		return
	}
	if name, network, err := x.System.FileSystem(folder); err == nil && network {
		x.add(Look, fmt.Sprintf("%s is on a network file system (%s)", folder, name),
			"what such a file system says is stored can be lost, and the journal goes when the network goes", "set data.folder to a folder on a disk of this computer")
	}
	x.ok("%s can be written", folder)
}

// writable wants a folder to be there for this user, or a place to make it.
func (x *examination) writable(folder, why string) bool {
	info, err := os.Stat(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		above := existing(folder)
		if err := x.System.Writable(above); err != nil {
			x.add(Broken, fmt.Sprintf("%s is not there, and this user cannot make it: %v", folder, err), why, "make it, and give it to the user that the watch runs as")
			return false
		}
		x.ok("%s is not there yet; the watch makes it", folder)
		return false
	case err != nil:
		x.add(Broken, err.Error(), why, "let the user that the watch runs as enter the folders above it")
		return false
	case !info.IsDir():
		x.add(Broken, folder+" is no folder", why, "name another one in the configuration")
		return false
	}
	if err := x.System.Writable(folder); err != nil {
		x.add(Broken, fmt.Sprintf("this user cannot write in %s: %v", folder, err), why, "give it to the user that the watch runs as, and run the doctor as that user")
		return false
	}
	return true
}

func ticketFolders(x *examination) {
	good := 0
	for _, in := range x.Config.Inboxes() {
		if _, err := os.Stat(in.Dir); errors.Is(err, fs.ErrNotExist) && x.Config.TicketsAway() {
			x.add(Look, in.Dir+" is not there", "the watch waits for it, since it may lie on a share that is not mounted yet, and reads no tickets meanwhile", "mount it, or make it")
		} else if x.writable(in.Dir, "tickets are taken from there and moved to accepted/ or rejected/") && x.oneDevice(in.Dir) {
			good++
		}
		x.strays(in.Dir)
	}
	x.share()
	x.ok("%d can be written", good)
}

// strays finds tickets that nobody reads.
func (x *examination) strays(inbox string) {
	list, _ := folder.Strays(inbox, x.Config.TicketFolders()) // a folder that cannot be opened is told already
	for _, s := range list {
		x.add(Look, fmt.Sprintf("in %s, %s", inbox, s), "nobody reads what is dropped there, and nothing is judged for it", s.Next(inbox))
	}
}

// oneDevice wants the folders that tickets are moved to on the same file system:
// a rename is all or nothing, and a copy is not.
func (x *examination) oneDevice(inbox string) bool {
	here, err := x.System.Device(inbox)
	if err != nil {
		return true // it cannot be told on this system
	}
	for _, name := range []string{"accepted", "rejected", ".taking"} {
		if there, err := x.System.Device(filepath.Join(inbox, name)); err == nil && there != here {
			x.add(Broken, fmt.Sprintf("%s is on another file system than %s", filepath.Join(inbox, name), inbox), "tickets are moved by renaming, which works within one file system", "put both on one, without a mount in between")
			return false
		}
	}
	return true
}

// share says how tickets are found on a network share, and compares its clock.
func (x *examination) share() {
	root, poll := x.Config.Inboxes()[0].Dir, x.Config.Tickets.Poll
	name, network, err := x.System.FileSystem(root)
	if err != nil || !network {
		return
	}
	verdict, next := OK, ""
	if poll > slowPoll {
		verdict, next = Look, fmt.Sprintf("set tickets.poll to %s or less", slowPoll)
	}
	x.add(verdict, fmt.Sprintf("%s is a network share (%s): the watch looks there every %s", root, name, poll), "this computer is not told what others drop there", next)
	x.compareClock(root)
}

func notices(x *examination) {
	var folders []string
	for _, in := range x.Config.Inboxes() {
		if _, err := os.Stat(in.Dir); err == nil {
			folders = append(folders, in.Dir)
		}
	}
	if err := x.System.Watch(folders); err != nil {
		x.add(Look, fmt.Sprintf("this computer cannot tell of new files: %v", err), fmt.Sprintf("tickets are still found every %s", x.Config.Tickets.Poll), "raise fs.inotify.max_user_instances and fs.inotify.max_user_watches with sysctl")
		return
	}
	if n, err := x.System.Number(inotifyLimits + "max_user_watches"); err == nil && n < leastWatches {
		x.add(Look, fmt.Sprintf("fs.inotify.max_user_watches is %d", n), "other programs of this user share it, and a folder that gets none is only looked at now and then", fmt.Sprintf("sysctl fs.inotify.max_user_watches=%d", leastWatches))
	}
	x.ok("new files are told of in %d folders", len(folders))
}

// openFiles looks at the limit of the running watch, or at this one.
func openFiles(x *examination) {
	_, _ = x.journal() // to know whether the watch runs; the check of NATS tells the error
	pid, whose := 0, "this user's programs"
	if owner := x.owner(); x.running && owner > 0 {
		pid, whose = owner, "the running watch"
	}
	limit, err := x.System.Files(pid)
	if err != nil {
		x.ok("the limit cannot be told: %v", err)
		return
	}
	want := uint64(leastFiles + x.Config.HTTP.Streams)
	if limit < want {
		x.add(Look, fmt.Sprintf("%s may have %d files open", whose, limit), "journal, tickets and each open page need one", fmt.Sprintf("LimitNOFILE=%d in the unit, or ulimit -n %d", want, want))
		return
	}
	x.ok("%s may have %d", whose, limit)
}

// owner is the process that holds the journal, 0 when that is not known.
func (x *examination) owner() int {
	text, err := os.ReadFile(filepath.Join(x.Config.DataFolder(), "nats", "daemon.lock"))
	if err != nil {
		return 0
	}
	pid, _ := strconv.Atoi(strings.TrimSpace(string(text)))
	return pid
}

func clock(x *examination) {
	zone, err := x.Config.Location()
	if err != nil {
		x.add(Broken, err.Error(), "times are read and shown in it", "correct shop.time_zone")
		return
	}
	now := x.System.Now()
	x.ok("it is %s in the shop", now.In(zone).Format("Monday 2 January 15:04 MST"))
	if zone == time.Local && x.Config.Shop.TimeZone == "Local" {
		if _, offset := now.Zone(); offset == 0 {
			x.add(Look, "shop.time_zone is Local, and this computer runs in UTC", "people read times in it, and tickets without a zone are read in it", "set shop.time_zone to the shop's zone, such as Europe/Lisbon")
		}
	}
	switch good, err := x.System.Synchronised(); {
	case err != nil:
		x.ok("whether the clock is kept right cannot be told here: %v", err)
	case !good:
		x.add(Look, "nobody keeps the clock of this computer right", "starts are judged by it, and machines with other clocks seem to report the past or the future", "switch on NTP: timedatectl set-ntp true, or chrony; in a container, on its host")
	default:
		x.ok("the clock is kept right")
	}
	if _, err := os.Stat(x.Config.DataFolder()); err == nil {
		x.compareClock(x.Config.DataFolder())
	}
}

// compareClock compares a file system's time with the clock.
func (x *examination) compareClock(folder string) {
	at, err := x.System.Touch(folder)
	if err != nil {
		return // that it cannot be written is told where that matters
	}
	if off := at.Sub(x.System.Now()).Abs(); off > mostAhead {
		x.add(Look, fmt.Sprintf("the clock of the file system of %s differs by %s", folder, off.Round(time.Second)), "the age of files is told by it", "keep the clocks of both computers right by NTP")
	}
}

func disk(x *examination) {
	folder := x.Config.DataFolder()
	d, err := x.System.Disk(folder)
	if err != nil {
		x.ok("the room on the disk cannot be told: %v", err)
		return
	}
	const next = "free some room, give data.folder a larger disk, or lower nats.max_store"
	if d.FreeBytes < leastFree {
		x.add(Broken, fmt.Sprintf("%s left for %s", size(d.FreeBytes), folder), "a journal that cannot be written refuses events", next)
	} else if need := int64(x.Config.NATS.MaxStore) - x.stored(); x.Config.NATS.URL == "" && d.FreeBytes < need {
		x.add(Look, fmt.Sprintf("%s left for %s, and the journal may still grow by %s", size(d.FreeBytes), folder, size(need)), "the disk would be full before the journal is", next)
	}
	if d.Inodes > 0 && d.FreeInodes < leastInodes {
		x.add(Broken, fmt.Sprintf("room for %d files left on the disk of %s", d.FreeInodes, folder), "no file can be made without", "remove files that nobody needs")
	}
	x.well("%s of %s left for %s", size(d.FreeBytes), size(d.Bytes), folder)
}

// stored is what the journal takes now, in bytes.
func (x *examination) stored() int64 {
	if info, err := x.stream(journal.StreamName); err == nil {
		return int64(info.State.Bytes)
	}
	return 0
}

func size(bytes int64) string {
	if bytes < 1<<30 {
		return fmt.Sprintf("%d MiB", bytes>>20)
	}
	return fmt.Sprintf("%.1f GiB", float64(bytes)/(1<<30))
}

// errNone says that there is no journal yet.
var errNone = errors.New("no journal yet; the watch makes it")

// streams are the names of the journal's: it has one for each partition.
func (x *examination) streams() (names []string) {
	p, err := x.Config.Partitions()
	if err != nil {
		return []string{journal.StreamName} // a number that the configuration refuses
	}
	for n := range p.Len() {
		names = append(names, p.Stream(n))
	}
	return names
}

// of says which stream of a divided journal is spoken of.
func (x *examination) of(stream string) string {
	if len(x.streams()) == 1 {
		return ""
	}
	return stream + ": "
}

// stream is one of the journal's as the server describes it.
func (x *examination) stream(name string) (*jetstream.StreamInfo, error) {
	b, err := x.journal()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(x.ctx, answerWithin)
	defer cancel()
	s, err := b.JetStream().Stream(ctx, name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, errNone
	}
	if err != nil {
		return nil, err
	}
	return s.CachedInfo(), nil
}

// stranger is the error of opening a journal that turns out to be another shop's.
type stranger interface {
	What() string
	Next() string
}

func natsServer(x *examination) {
	c := x.Config.NATS
	b, err := x.journal()
	var other stranger
	switch {
	case errors.As(err, &other):
		x.add(Broken, other.What(), "what is told there does not reach this shop's watch, and what is read there is not of this shop", other.Next())
		return
	case errors.Is(err, fs.ErrNotExist) && c.URL == "":
		x.ok("%v", errNone)
		x.freePorts()
		return
	case err != nil && c.URL == "" && c.Listen == "":
		x.add(Look, err.Error(), "a watch that runs without nats.listen cannot be looked into", "set nats.listen to a port, or stop the watch and look again")
		return
	case err != nil:
		x.add(Broken, err.Error(), "without it there is no journal, and the watch does not start", "start that server, or correct nats.url")
		return
	case x.running:
		x.ok("the server answers at %s", b.URL())
		if c.MQTT.Listen != "" && len(c.Users) > 0 {
			x.ok("what a machine sends by MQTT and may not is acknowledged and refused: /upkeep lists the newest")
		}
	default:
		x.ok("the watch does not run; its store can be opened")
		x.freePorts()
	}
	for _, name := range x.streams() {
		info, err := x.stream(name)
		if err != nil {
			if !errors.Is(err, errNone) {
				x.add(Broken, err.Error(), "the journal cannot be read", "switch JetStream on in that server, and let this user ask for the stream "+name)
				return
			}
			continue
		}
		x.limits(info)
		x.replicas(info)
	}
}

// limits compares the journal's with the configuration.
func (x *examination) limits(info *jetstream.StreamInfo) {
	c := x.Config.NATS
	if share := float64(info.State.Bytes) / float64(c.MaxStore); share >= fullFrom {
		verdict := Look
		if share >= 1 {
			verdict = Broken
		}
		x.add(verdict, x.of(info.Config.Name)+fmt.Sprintf("the journal takes %s of %s (%.0f %%)", size(int64(info.State.Bytes)), size(int64(c.MaxStore)), 100*share), "a full journal refuses events", "raise nats.max_store, or set nats.keep")
	}
	if got := info.Config; got.MaxBytes != int64(c.MaxStore) || got.MaxAge != c.Keep {
		x.add(Look, x.of(got.Name)+fmt.Sprintf("the journal may take %s and keeps entries for %s, by the configuration %s and %s", size(got.MaxBytes), age(got.MaxAge), size(int64(c.MaxStore)), age(c.Keep)), "the watch sets them when it starts", "start the watch again")
	}
}

func age(d time.Duration) string {
	if d == 0 {
		return "ever"
	}
	return d.String()
}

// replicas wants as many copies as are asked for, and all of them up to date.
func (x *examination) replicas(info *jetstream.StreamInfo) {
	if want := x.Config.NATS.Replicas; want > 0 && info.Config.Replicas != want {
		x.add(Look, x.of(info.Config.Name)+fmt.Sprintf("the journal has %d copies, the configuration asks for %d", info.Config.Replicas, want), "the loss of one server can be the loss of the journal", "start the watch again, and look at the servers if it stays so")
	}
	if info.Cluster == nil {
		return
	}
	for _, peer := range info.Cluster.Replicas {
		if peer.Offline || !peer.Current {
			x.add(Look, x.of(info.Config.Name)+fmt.Sprintf("the copy of the journal on %s is behind or its server is off", peer.Name), "another loss can be the loss of the journal", "start that server, and let it catch up")
		}
	}
}

func journalEntries(x *examination) {
	for _, name := range x.streams() {
		switch info, err := x.stream(name); {
		case errors.Is(err, errNone):
			x.ok("%s%v", x.of(name), err)
		case err != nil:
			x.ok("%snothing to read", x.of(name)) // the check of NATS tells why
		default:
			x.entries(info)
		}
	}
}

// entries looks at what one stream holds.
func (x *examination) entries(info *jetstream.StreamInfo) {
	s, of := info.State, x.of(info.Config.Name)
	ahead := s.LastTime.Sub(x.System.Now())
	switch {
	case s.Msgs == 0:
		x.ok("%sno entries", of)
	case s.NumDeleted > 0:
		x.add(Broken, fmt.Sprintf("%s%d entries are missing between %d and %d", of, s.NumDeleted, s.FirstSeq, s.LastSeq), "what is built from the journal may be wrong", "find out who removed them; rollwarden restore brings an earlier copy back")
	case ahead > mostAhead:
		x.add(Broken, fmt.Sprintf("%sthe newest entry was stored %s from now", of, ahead.Round(time.Second)), "the clock went back, and what happens now lies before what the watch knows", "set the clock right and start the watch again")
	default:
		x.ok("%s%d entries, %d to %d, from %s to %s; kept for %s", of, s.Msgs, s.FirstSeq, s.LastSeq, s.FirstTime.UTC().Format(time.RFC3339), s.LastTime.UTC().Format(time.RFC3339), age(info.Config.MaxAge))
	}
}

func snapshots(x *examination) {
	dir := filepath.Join(x.Config.DataFolder(), "snapshots")
	seq, state, err := journal.Snapshots{Dir: dir, Log: zerolog.Nop()}.Load()
	if err != nil {
		x.add(Look, err.Error(), "without one the whole journal is read at the start, which takes longer", "let the user that the watch runs as read "+dir)
		return
	}
	if seq == 0 {
		x.ok("none yet: the journal is read from its beginning")
		return
	}
	if site, err := x.Config.Site(); err == nil {
		if err := rules.New(site).Restore(state); err != nil {
			x.add(Look, err.Error(), "the start takes longer, and loses nothing", "nothing: the next snapshot is a good one")
			return
		}
	}
	info, err := x.stream(journal.StreamName)
	if err == nil && seq > info.State.LastSeq {
		x.add(Look, fmt.Sprintf("the newest is of entry %d, and the journal ends at %d", seq, info.State.LastSeq), "it is of another journal; the watch removes it and reads the whole journal", "find out whether the journal is the one you want")
		return
	}
	x.ok("the newest is of entry %d and can be used", seq)
}

func board(x *examination) {
	listen := x.Config.HTTP.Listen
	if err := x.System.Listen(listen); err == nil {
		if x.running && !strings.HasSuffix(listen, ":0") {
			x.add(Broken, "nobody serves the board on "+listen+", although a watch answers", "the watch was started with other settings, or ended", "start the watch again with this configuration")
			return
		}
		x.ok("%s is free", listen)
		return
	}
	status, text, err := x.ready()
	switch {
	case err != nil:
		x.add(Broken, fmt.Sprintf("another program has %s: %v", listen, err), "the board cannot be served there", "stop that program, or set another http.listen")
	case x.idle() && (status == http.StatusOK || status == http.StatusServiceUnavailable):
		x.add(Broken, fmt.Sprintf("the watch of another data folder has %s", listen), "the board cannot be served there", "stop that watch, or set another http.listen")
	case status == http.StatusOK:
		x.ok("a watch serves it on %s and is ready", listen)
	case status == http.StatusServiceUnavailable && text == "standby":
		x.ok("a watch serves it on %s and stands by for another", listen)
	case status == http.StatusServiceUnavailable:
		x.add(Look, fmt.Sprintf("a watch serves it on %s and is not ready: %s", listen, text), "it has not read its journal yet, or cannot", "wait a moment; then look at its log")
	default:
		x.add(Broken, fmt.Sprintf("what has %s is no watch: it answers %d", listen, status), "the board cannot be served there", "stop that program, or set another http.listen")
	}
}

// idle reports whether no watch runs over this data folder, for certain.
func (x *examination) idle() bool {
	_, err := x.journal()
	return x.Config.NATS.URL == "" && !x.running && (err == nil || errors.Is(err, fs.ErrNotExist))
}

// ready asks the board whether it is ready. Its certificate is looked at by
// another check, and tells nothing about this.
func (x *examination) ready() (status int, text string, err error) {
	scheme := "http"
	if x.Config.HTTP.TLS.CertFile != "" {
		scheme = "https"
	}
	host, port, err := net.SplitHostPort(x.Config.HTTP.Listen)
	if err != nil {
		return 0, "", err
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}
	defer transport.CloseIdleConnections()
	client := http.Client{Transport: transport, Timeout: answerWithin, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	request, err := http.NewRequestWithContext(x.ctx, http.MethodGet, scheme+"://"+net.JoinHostPort(host, port)+"/readyz", nil)
	if err != nil {
		return 0, "", err
	}
	if x.Config.HTTP.BehindProxy {
		request.Header.Set("X-Forwarded-Proto", "https")
	}
	answer, err := client.Do(request)
	if err != nil {
		return 0, "", err
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(io.LimitReader(answer.Body, 1<<10))
	return answer.StatusCode, strings.TrimSpace(string(body)), err
}

// freePorts wants those of the built-in server to be free.
func (x *examination) freePorts() {
	x.freePort("nats.listen", x.Config.NATS.Listen)
	x.freePort("nats.mqtt.listen", x.Config.NATS.MQTT.Listen)
}

// freePort wants an address that the watch will listen on to be free.
func (x *examination) freePort(key, listen string) {
	if listen == "" {
		return
	}
	if err := x.System.Listen(listen); err != nil {
		x.add(Broken, fmt.Sprintf("%s: %v", key, err), "the watch cannot start", "stop the program that has it, or set another "+key)
	}
}

func certificate(x *examination) {
	files := x.Config.HTTP.TLS
	if files.CertFile == "" {
		x.ok("the board is served without TLS, on %s", x.Config.HTTP.Listen)
		return
	}
	const renew = "renew the certificate; a running watch takes new files up by itself"
	pair, err := tls.LoadX509KeyPair(x.Config.Path(files.CertFile), x.Config.Path(files.KeyFile))
	if err != nil {
		x.add(Broken, err.Error(), "the board cannot be served", "set http.tls.cert_file and key_file to a certificate and its key (PEM)")
		return
	}
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil {
		x.add(Broken, err.Error(), "browsers refuse it", renew)
		return
	}
	now, until := x.System.Now(), leaf.NotAfter.UTC().Format(time.RFC3339)
	switch {
	case now.Before(leaf.NotBefore):
		x.add(Broken, "it is valid from "+leaf.NotBefore.UTC().Format(time.RFC3339)+" on", "browsers refuse it until then", "look at the clock, or "+renew)
	case !now.Before(leaf.NotAfter):
		x.add(Broken, "it has expired on "+until, "browsers refuse it", renew)
	case leaf.NotAfter.Sub(now) < renewWithin:
		x.add(Look, "it expires on "+until, "browsers refuse it from then on", renew)
	default:
		x.ok("it is valid until %s", until)
	}
	for _, name := range x.names() {
		if err := leaf.VerifyHostname(name); err != nil {
			x.add(Look, err.Error(), "browsers refuse it under that name", "have a certificate made for all names in http.public_url and http.hosts")
		}
	}
}

// names are those under which people open the board.
func (x *examination) names() []string {
	names := slices.Clone(x.Config.HTTP.Hosts)
	if u, err := url.Parse(x.Config.HTTP.PublicURL); err == nil && u.Hostname() != "" {
		names = append(names, u.Hostname())
	}
	return names
}

func secrets(x *examination) {
	files := x.Config.SecretFiles()
	for _, key := range slices.Sorted(maps.Keys(files)) {
		info, err := os.Stat(files[key])
		switch {
		case err != nil:
			x.add(Broken, fmt.Sprintf("%s: %v", key, err), "the secret cannot be read", "make the file, and let the user that the watch runs as read it")
		case runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
			x.add(Look, fmt.Sprintf("%s: other people on this computer can read %s (mode %04o)", key, files[key], info.Mode().Perm()), "who has the secret can do what it is for", "chmod 600 "+files[key])
		}
	}
	x.well("%d files", len(files))
}

func pagerChannels(x *examination) {
	channels, err := x.Config.Channels(x.System.Now)
	if err != nil {
		x.add(Broken, err.Error(), "nobody is paged", "correct the pager's settings")
		return
	}
	routes := x.Config.Pager.Routes
	if !slices.ContainsFunc(routes.High, func(name string) bool { return name != "log" }) {
		x.add(Look, "high alarms go to nothing but the log", "nobody is told when nobody looks at the board", "set up pager.webhook, mail or alertmanager, and name it in pager.routes.high")
	}
	for _, c := range channels {
		if err := x.reach(c.Name()); err != nil {
			x.add(Broken, fmt.Sprintf("%s cannot be reached: %v", c.Name(), err), "its pages are tried again and then given up", "look at the address, the network and that server")
			continue
		}
		if !x.Page {
			x.ok("%s can be reached; --page sends a test page", c.Name())
			continue
		}
		x.page(c)
	}
	if len(channels) == 0 {
		x.ok("the log")
	}
}

// page sends a test page, which says that it is one.
func (x *examination) page(c pager.Channel) {
	ctx, cancel := context.WithTimeout(x.ctx, pageWithin)
	defer cancel()
	if err := c.Send(ctx, testPage(x.Config.Machines[0], c.Name(), x.System.Now())); err != nil {
		x.add(Broken, fmt.Sprintf("%s did not take the test page: %v", c.Name(), err), "it would not take an alarm either", "correct pager."+c.Name()+" and try again")
		return
	}
	x.ok("%s took a test page: see that somebody got it", c.Name())
}

// testPage is of no hazard that the watch has, and of the lowest priority.
func testPage(m config.Machine, channel string, now time.Time) pager.Page {
	id := "test-" + now.UTC().Format("20060102T150405.000000000Z")
	return pager.Page{
		Key: pager.IdempotencyKey(id, channel), AlarmID: id, Site: m.Site, Machine: m.Name, Hazard: "test-page", Job: "TEST",
		From: "normal", To: "unacknowledged", Emit: "annunciate", Priority: "low", At: now, Raised: now,
		Message: "TEST by rollwarden doctor: this is no alarm, and nothing has to be done at the machine.",
	}
}

// reach opens a connection to a channel's server and says nothing.
func (x *examination) reach(channel string) error {
	address, err := addressOf(x.Config.Pager, channel)
	if err != nil || address == "" {
		return err
	}
	ctx, cancel := context.WithTimeout(x.ctx, answerWithin)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
	if err != nil {
		return err
	}
	return conn.Close()
}

// mailPorts are the usual ports (RFC 6409, RFC 8314, RFC 5321).
var mailPorts = map[string]int{"starttls": 587, "tls": 465, "none": 25}

// addressOf is the host and port of a channel's server; empty where there is
// none.
func addressOf(p config.Pager, channel string) (string, error) {
	var text string
	switch channel {
	case "alertmanager":
		text = p.Alertmanager.URL
	case "webhook":
		text = p.Webhook.URL.Reveal()
	case "mail":
		port := p.Mail.Port
		if port == 0 {
			port = mailPorts[p.Mail.TLS]
		}
		return net.JoinHostPort(p.Mail.Host, strconv.Itoa(port)), nil
	default:
		return "", nil
	}
	u, err := url.Parse(text)
	if err != nil {
		return "", errors.New("its address cannot be read") // which may hold a secret
	}
	port := u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443"}[u.Scheme]
	}
	return net.JoinHostPort(u.Hostname(), port), nil
}
