package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"strconv"
	"strings"

	"github.com/OpenPrinting/goipp"
	mqtt "github.com/eclipse/paho.mqtt.golang"
)

var listensForMQTT = regexp.MustCompile(`"mqtt":"([^"]+)"`)

// mqttURL reads from the log where the newest watch takes MQTT.
func (s *shop) mqttURL() *url.URL {
	log, err := os.ReadFile(s.logFile())
	s.Check(err)
	all := listensForMQTT.FindAllStringSubmatch(string(log), -1)
	if len(all) == 0 {
		s.Fatalf("no watch takes MQTT")
	}
	u, err := url.Parse(all[len(all)-1][1])
	s.Check(err)
	return u
}

func (s *shop) mqtt(args []string) {
	s.usage(!s.negated && len(args) == 0, "mqtt")
	s.Setenv("MQTT_PORT", s.mqttURL().Port())
}

// burst publishes with the Eclipse Paho client all at once, so that the watch has
// not mapped most of what the server acknowledged when it is killed.
func (s *shop) burst(args []string) {
	s.usage(!s.negated && len(args) == 2, "burst N TOPIC")
	n, err := strconv.Atoi(args[0])
	s.Check(err)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + s.mqttURL().Host).SetClientID("burst").SetProtocolVersion(4).SetAutoReconnect(false))
	settled := func(t mqtt.Token) {
		if !t.WaitTimeout(patience) || t.Error() != nil {
			s.Fatalf("the server did not acknowledge: %v", t.Error())
		}
	}
	settled(c.Connect())
	var tokens []mqtt.Token
	for i := range n {
		tokens = append(tokens, c.Publish(args[1], 1, false, strconv.Itoa(i)))
	}
	for _, t := range tokens {
		settled(t) // its PUBACK is here (MQTT 3.1.1, section 4.3.2)
	}
	s.signal([]string{"KILL"})
	c.Disconnect(0)
}

// printer answers Get-Printer-Attributes (RFC 8011, section 4.2.5).
func (s *shop) printer(args []string) {
	states := map[string]goipp.Integer{"idle": 3, "processing": 4, "stopped": 5} // section 5.4.11
	s.usage(!s.negated && len(args) > 0 && states[args[0]] > 0, "printer STATE [REASON...]")
	reasons := goipp.MakeAttribute("printer-state-reasons", goipp.TagKeyword, goipp.String("none"))
	if len(args) > 1 {
		reasons.Values = nil
		for _, r := range args[1:] {
			reasons.Values.Add(goipp.TagKeyword, goipp.String(r))
		}
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var ask goipp.Message
		body, _ := io.ReadAll(r.Body)
		if err := ask.DecodeBytes(body); err != nil || goipp.Op(ask.Code) != goipp.OpGetPrinterAttributes {
			http.Error(w, "no Get-Printer-Attributes", http.StatusBadRequest)
			return
		}
		answer := goipp.NewResponse(ask.Version, goipp.StatusOk, ask.RequestID)
		answer.Operation.Add(goipp.MakeAttribute("attributes-charset", goipp.TagCharset, goipp.String("utf-8")))
		answer.Operation.Add(goipp.MakeAttribute("attributes-natural-language", goipp.TagLanguage, goipp.String("en")))
		answer.Printer.Add(goipp.MakeAttribute("printer-state", goipp.TagEnum, states[args[0]]))
		answer.Printer.Add(reasons)
		data, _ := answer.EncodeBytes()
		w.Header().Set("Content-Type", "application/ipp")
		_, _ = w.Write(data)
	}))
	s.Defer(server.Close)
	s.Setenv("PRINTER", strings.Replace(server.URL, "http", "ipp", 1))
}
