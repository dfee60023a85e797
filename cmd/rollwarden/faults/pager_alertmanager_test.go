package faults

import (
	"encoding/json"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// alertmanager is a real Alertmanager (Debian package prometheus-alertmanager)
// that goes away and comes back, each time without its memory of alerts.
type alertmanager struct {
	t       *testing.T
	dir     string
	address string
	process *exec.Cmd // nil while it is away
}

func newAlertmanager(t *testing.T) *alertmanager {
	t.Helper()
	a := &alertmanager{t: t, dir: t.TempDir(), address: freeAddress(t)}
	config := "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"
	if err := os.WriteFile(filepath.Join(a.dir, "alertmanager.yml"), []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if a.process != nil {
			a.kill()
		}
	})
	return a
}

func (a *alertmanager) start() {
	a.t.Helper()
	cmd := exec.Command("prometheus-alertmanager", "--config.file=alertmanager.yml", "--storage.path=alerts",
		"--web.listen-address="+a.address, "--cluster.listen-address=")
	cmd.Dir = a.dir
	if err := cmd.Start(); err != nil {
		a.t.Fatalf("%v: sudo apt-get install --no-install-recommends prometheus-alertmanager", err)
	}
	a.process = cmd
}

func (a *alertmanager) kill() {
	a.t.Helper()
	if err := a.process.Process.Kill(); err != nil {
		a.t.Errorf("kill Alertmanager: %v", err)
	}
	_ = a.process.Wait() // killed: that is no clean end
	a.process = nil
}

// active are the labels of the alerts that stand, as Alertmanager's own API says
// (api/v2/openapi.yaml of github.com/prometheus/alertmanager, getAlerts).
func (a *alertmanager) active() (labels []map[string]string, err error) {
	client := http.Client{Timeout: 2 * time.Second}
	resp, err := client.Get("http://" + a.address + "/api/v2/alerts?active=true")
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	var alerts []struct{ Labels map[string]string }
	if err := json.NewDecoder(resp.Body).Decode(&alerts); err != nil {
		return nil, err
	}
	for _, alert := range alerts {
		labels = append(labels, alert.Labels)
	}
	return labels, nil
}
