package demo

import (
	"archive/zip"
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"rollwarden/rules/event"
)

// The office writes tickets in whatever form its tools give. Each template is
// a sound document of its standard.

const pointsPerMM = 72 / 25.4

// trade is what the office calls the film classes.
var trade = map[event.Class]string{
	event.Monomeric: "calendered monomeric", event.Polymeric: "calendered polymeric", event.Cast: "cast",
}

func (j job) xjdf(device string) string {
	types, cut := "DigitalPrinting", ""
	if j.contour {
		types += " ShapeCutting"
		cut = `
  <ResourceSet Name="ShapeCuttingParams" Usage="Input" CombinedProcessIndex="1"><Resource><ShapeCuttingParams>
    <Shape ShapeType="Path" CutPath="0 0 m 170 0 l 170 170 l 0 170 l h"/></ShapeCuttingParams></Resource></ResourceSet>`
	}
	if j.laminate {
		types += " Laminating"
	}
	return fmt.Sprintf(`<?xml version="1.0" encoding="UTF-8"?>
<XJDF xmlns="http://www.CIP4.org/JDFSchema_2_0" xmlns:kl="https://kestrel-lane.example/ns/film/1" JobID="%s" JobPartID="P1" Version="2.2" Types="%s">
  <GeneralID IDUsage="kl:Passes" IDValue="%d" DataType="integer"/>
  <ResourceSet Name="NodeInfo" Usage="Input"><Resource><NodeInfo Start="%s" LastEnd="%s"/></Resource></ResourceSet>
  <ResourceSet Name="Device" Usage="Input" CombinedProcessIndex="0"><Resource><Device DeviceID="%s"/></Resource></ResourceSet>
  <ResourceSet Name="Media" Usage="Input" Unit="m" CombinedProcessIndex="0"><Resource ExternalID="%s">
    <AmountPool><PartAmount Amount="%.2f"/></AmountPool>
    <Media MediaType="SelfAdhesive" MediaQuality="%s" MediaUnit="Roll" Dimension="%.3f 0"/></Resource></ResourceSet>
  <ResourceSet Name="DigitalPrintingParams" Usage="Input" CombinedProcessIndex="0"><Resource>
    <DigitalPrintingParams kl:CureC="%.0f" kl:InkPct="%.0f" kl:MarkSpacing="%d"/></Resource></ResourceSet>%s
  <ResourceSet Name="Component" Usage="Output"><Resource><AmountPool><PartAmount Amount="%d"/></AmountPool><Component/></Resource></ResourceSet>
</XJDF>
`, j.id, types, j.passes, stamp(j.at), stamp(j.due), device, j.stock, j.lengthM, trade[j.class], widthMM*pointsPerMM, j.cureC, j.inkPct, marksMM, cut, j.copies)
}

func (j job) jdf(device string) string {
	types, cut, link := "DigitalPrinting", "", ""
	if j.contour {
		types += " ShapeCutting"
		cut = `<ShapeCuttingParams ID="SC" Class="Parameter" Status="Available"><Shape ShapeType="Path" CutPath="0 0 m 170 0 l h"/></ShapeCuttingParams>`
		link = `<ShapeCuttingParamsLink rRef="SC" Usage="Input" CombinedProcessIndex="1"/>`
	}
	if j.laminate {
		types += " Laminating"
	}
	return fmt.Sprintf(`<?xml version="1.0" encoding="UTF-8"?>
<JDF xmlns="http://www.CIP4.org/JDFSchema_1_1" xmlns:kl="https://kestrel-lane.example/ns/film/1" ID="n1" Type="Combined" Types="%s" Status="Waiting" JobID="%s" JobPartID="P1" Version="1.5">
  <GeneralID IDUsage="kl:Passes" IDValue="%d"/>
  <ResourcePool>
    <NodeInfo ID="NI" Class="Parameter" Status="Available" Start="%s" LastEnd="%s"/>
    <Media ID="M" Class="Consumable" Status="Available" ProductID="%s" MediaType="SelfAdhesive" MediaQuality="%s" MediaUnit="Roll" Dimension="%.3f 0" Unit="m"/>
    <DigitalPrintingParams ID="DP" Class="Parameter" Status="Available" kl:CureC="%.0f" kl:InkPct="%.0f" kl:MarkSpacing="%d"/>
    <Component ID="C" Class="Quantity" Status="Unavailable" ComponentType="FinalProduct" Amount="%d"/>
    <Device ID="D" Class="Implementation" Status="Available" DeviceID="%s"/>%s
  </ResourcePool>
  <ResourceLinkPool>
    <NodeInfoLink rRef="NI" Usage="Input"/><DeviceLink rRef="D" Usage="Input"/>
    <MediaLink rRef="M" Usage="Input" CombinedProcessIndex="0" Amount="%.2f"/><DigitalPrintingParamsLink rRef="DP" Usage="Input" CombinedProcessIndex="0"/>
    <ComponentLink rRef="C" Usage="Output"/>%s
  </ResourceLinkPool>
</JDF>
`, types, j.id, j.passes, stamp(j.at), stamp(j.due), j.stock, trade[j.class], widthMM*pointsPerMM, j.cureC, j.inkPct, marksMM, j.copies, device, cut, j.lengthM, link)
}

func (j job) json() string {
	return fmt.Sprintf(`{
  "job": %q, "part": "P1", "stock": %q, "film_class": %q, "roll_width_mm": %d,
  "length_m": %.2f, "copies": %d, "passes": %d, "ink_density_pct": %.0f, "cure_c": %.0f,
  "contour_cut": %v, "mark_spacing_mm": %d, "laminate": %v, "start_at": %q, "due": %q
}
`, j.id, j.stock, string(j.class), widthMM, j.lengthM, j.copies, j.passes, j.inkPct, j.cureC, j.contour, marksMM, j.laminate, stamp(j.at), stamp(j.due))
}

func stamp(t time.Time) string { return t.Format(time.RFC3339) }

// drop writes the job's ticket into the machine's folder, under another name
// first, as a careful program does.
func (j job) drop(root, device string) (name string, err error) {
	name = j.id
	if j.revision > 0 {
		name += fmt.Sprintf("-rev%d", j.revision)
	}
	var data []byte
	switch j.format {
	case "json":
		name, data = name+".json", []byte(j.json())
	case "jdf":
		name, data = name+".jdf", []byte(j.jdf(device))
	case "zip":
		name += ".zip"
		if data, err = j.pack(device); err != nil {
			return "", err
		}
	default:
		name, data = name+".xjdf", []byte(j.xjdf(device))
	}
	return name, dropFile(filepath.Join(root, j.machine), name, data)
}

// pack puts the ticket into a package with a submission beside it.
func (j job) pack(device string) ([]byte, error) {
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	submission := fmt.Sprintf(`<XJMF xmlns="http://www.CIP4.org/JDFSchema_2_0" Version="2.2"><Header DeviceID="KL-OFFICE" Time="%[1]s"/><CommandSubmitQueueEntry><Header DeviceID="KL-OFFICE" ID="C1" Time="%[1]s"/><QueueSubmissionParams URL="jobs/%[2]s.xjdf"/></CommandSubmitQueueEntry></XJMF>`,
		stamp(j.at), j.id)
	for _, file := range []struct{ name, text string }{{"root.xjmf", submission}, {"jobs/" + j.id + ".xjdf", j.xjdf(device)}} {
		f, err := w.Create(file.name)
		if err == nil {
			_, err = f.Write([]byte(file.text))
		}
		if err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// signal is what a machine that speaks XJMF says of a job.
func signal(device, job, status, deviceStatus string, at time.Time, metres float64) string {
	return fmt.Sprintf(`<?xml version="1.0" encoding="UTF-8"?>
<XJMF xmlns="http://www.CIP4.org/JDFSchema_2_0" Version="2.2">
  <Header DeviceID="%[1]s" Time="%[5]s"/>
  <SignalStatus>
    <Header DeviceID="%[1]s" ID="S1" Time="%[5]s"/>
    <DeviceInfo Status="%[4]s" CounterUnit="m"><JobPhase JobID="%[2]s" JobPartID="P1" Status="%[3]s" %[7]s="%[5]s" Amount="%.2[6]f"/></DeviceInfo>
  </SignalStatus>
</XJMF>
`, device, job, status, deviceStatus, stamp(at), metres, map[string]string{"InProgress": "StartTime", "Completed": "EndTime"}[status])
}

// broken is a ticket without a job id.
const broken = `<?xml version="1.0" encoding="UTF-8"?>
<XJDF xmlns="http://www.CIP4.org/JDFSchema_2_0" JobPartID="P1" Version="2.2" Types="DigitalPrinting">
  <ResourceSet Name="NodeInfo" Usage="Input"><Resource><NodeInfo LastEnd="tomorrow"/></Resource></ResourceSet>
</XJDF>
`

func dropFile(dir, name string, data []byte) error {
	part := filepath.Join(dir, "."+name+".part")
	if err := os.WriteFile(part, data, 0o644); err != nil {
		return err
	}
	return os.Rename(part, filepath.Join(dir, name))
}
