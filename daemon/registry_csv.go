package daemon

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"throwline/alerting"
	"throwline/ingest"
)

// The registry of turnouts as a CSV file (RFC 4180): a header, then a line a
// turnout. It is written by people in spreadsheets, so it is read with some
// patience; all that is wrong is told at once.

// Limits of a registry that is read.
const (
	MaxRegistryBytes = 32 << 20
	MaxRegistryLines = 200_000 // turnouts
	maxRegistryName  = 128     // characters of an area or a line
	maxRegistryNotes = 4096    // characters
	maxRegistryFault = 200     // told of one file
)

// RegistryFault is one thing that is wrong with a registry.
type RegistryFault struct {
	Line     int    `json:"line,omitempty" doc:"of the file, from 1; left out: the whole file"`
	Column   string `json:"column,omitempty" doc:"as the header names it; left out: the whole line"`
	Expected string `json:"expected"`
	Found    string `json:"found"`
}

func (f RegistryFault) String() string {
	where := "file"
	if f.Line > 0 {
		where = fmt.Sprintf("line %d", f.Line)
	}
	if f.Column != "" {
		where += ", column " + f.Column
	}
	return fmt.Sprintf("%s: expected %s, found %s", where, f.Expected, f.Found)
}

// RegistryError is all that is wrong with a registry, in the order of its lines.
type RegistryError struct {
	Faults []RegistryFault
	More   int // faults that are not listed
}

func (e *RegistryError) Error() string {
	var b strings.Builder
	b.WriteString("registry: ")
	for i, f := range e.Faults {
		if i > 0 {
			b.WriteString("\n")
		}
		b.WriteString(f.String())
	}
	if e.More > 0 {
		fmt.Fprintf(&b, "\nand %d more", e.More)
	}
	return b.String()
}

func (e *RegistryError) add(f RegistryFault) {
	if len(e.Faults) >= maxRegistryFault {
		e.More++
		return
	}
	e.Faults = append(e.Faults, f)
}

// registryColumn is one column: set takes a text, without spaces around it but in
// the notes, and says what it expected instead, or "". comma allows a decimal comma.
type registryColumn struct {
	name string
	get  func(p *alerting.Place) string
	set  func(p *alerting.Place, s string, comma bool) (expected string)
}

// registryColumns are in the order in which they are written.
func registryColumns() []registryColumn {
	text := func(name string, most int, lines bool, at func(*alerting.Place) *string) registryColumn {
		return registryColumn{name, func(p *alerting.Place) string { return noFormula(*at(p)) }, func(p *alerting.Place, s string, _ bool) string {
			s = asMeant(s)
			if utf8.RuneCountInString(s) > most || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && !(lines && (r == '\n' || r == '\t')) }) {
				return fmt.Sprintf("at most %d characters, none of them a control character", most)
			}
			*at(p) = s
			return ""
		}}
	}
	number := func(name, unit string, least, most float64, at func(*alerting.Place) *float64) registryColumn {
		return registryColumn{name, func(p *alerting.Place) string {
			if *at(p) == 0 {
				return ""
			}
			return strconv.FormatFloat(*at(p), 'f', -1, 64)
		}, func(p *alerting.Place, s string, comma bool) string {
			if s == "" {
				return ""
			}
			if comma && strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
				s = strings.Replace(s, ",", ".", 1)
			}
			x, err := strconv.ParseFloat(s, 64)
			if err != nil || math.IsNaN(x) || x < least || x > most || strings.ContainsAny(s, "xXpP_") {
				return fmt.Sprintf("a number%s from %s to %s", unit, strconv.FormatFloat(least, 'f', -1, 64), strconv.FormatFloat(most, 'f', -1, 64))
			}
			*at(p) = x + 0 // -0 is nothing said, too
			return ""
		}}
	}
	return []registryColumn{
		{"turnout", func(p *alerting.Place) string { return noFormula(p.Turnout) }, func(p *alerting.Place, s string, _ bool) string {
			if p.Turnout = asMeant(s); !ingest.ValidName(p.Turnout) {
				return fmt.Sprintf("1 to %d of A-Z a-z 0-9 . _ -", ingest.MaxNameLen)
			}
			return ""
		}},
		text("area", maxRegistryName, false, func(p *alerting.Place) *string { return &p.Area }),
		text("line", maxRegistryName, false, func(p *alerting.Place) *string { return &p.Line }),
		number("position", "", -1e9, 1e9, func(p *alerting.Place) *float64 { return &p.Position }),
		{"drive", func(p *alerting.Place) string { return noFormula(p.Drive) }, func(p *alerting.Place, s string, _ bool) string {
			if s = strings.ToLower(s); s != "" && !slices.Contains(registryDrives, s) {
				return "nothing or one of " + strings.Join(registryDrives, ", ")
			}
			p.Drive = s
			return ""
		}},
		{"criticality", func(p *alerting.Place) string {
			if p.Criticality == 0 {
				return ""
			}
			return strconv.Itoa(p.Criticality)
		}, func(p *alerting.Place, s string, _ bool) string {
			if s == "" {
				return ""
			}
			n, err := strconv.Atoi(s)
			if err != nil || n < 0 || n > 5 {
				return "a whole number from 1, slight, to 5, severe, or nothing"
			}
			p.Criticality = n
			return ""
		}},
		number("throw_time_s", " of seconds", 0, 3600, func(p *alerting.Place) *float64 { return &p.ThrowTime }),
		number("effort_rise_percent", " of percent", 0, 10_000, func(p *alerting.Place) *float64 { return &p.EffortRise }),
		{"out_of_service", func(p *alerting.Place) string {
			if p.OutOfService {
				return "yes" // a spreadsheet would write true anew in its own language
			}
			return ""
		}, func(p *alerting.Place, s string, _ bool) string {
			switch strings.ToLower(s) {
			case "yes", "true", "1":
				p.OutOfService = true
			case "no", "false", "0", "":
			default:
				return "yes or no"
			}
			return ""
		}},
		text("notes", maxRegistryNotes, true, func(p *alerting.Place) *string { return &p.Notes }),
	}
}

var registryDrives = []string{"electric", "hydraulic", "pneumatic", "manual", "other"}

// formulaStarts are the characters with which a spreadsheet may take a text for
// a formula, and the apostrophe that keeps it from that.
const formulaStarts = "=+-@\t\r\n＝＋－＠'"

// noFormula gives a text as it is written: with an apostrophe before what could be
// a formula.
func noFormula(s string) string {
	if r, n := utf8.DecodeRuneInString(s); n > 0 && strings.ContainsRune(formulaStarts, r) {
		return "'" + s
	}
	return s
}

// asMeant takes away what noFormula put there. An apostrophe that it would not
// have written stays: someone meant it.
func asMeant(s string) string {
	rest, ok := strings.CutPrefix(s, "'")
	if r, n := utf8.DecodeRuneInString(rest); ok && n > 0 && strings.ContainsRune(formulaStarts, r) {
		return rest
	}
	return s
}

var lineBreaks = strings.NewReplacer("\r\n", "\n", "\r", "\n")

// WriteRegistry writes the places in their order, so that [ReadRegistry] gives
// the same; line breaks in notes become those of Unix. It begins with a byte
// order mark, without which spreadsheets take UTF-8 for something else.
func WriteRegistry(w io.Writer, places []alerting.Place) error {
	columns := registryColumns()
	fields := make([]string, len(columns))
	for i, c := range columns {
		fields[i] = c.name
	}
	if _, err := io.WriteString(w, "\ufeff"); err != nil {
		return fmt.Errorf("write the registry: %w", err)
	}
	out := csv.NewWriter(w)
	if err := out.Write(fields); err != nil {
		return fmt.Errorf("write the registry: %w", err)
	}
	for i := range places {
		for j, c := range columns {
			fields[j] = lineBreaks.Replace(c.get(&places[i]))
		}
		if err := out.Write(fields); err != nil {
			return fmt.Errorf("write the registry: %w", err)
		}
	}
	if out.Flush(); out.Error() != nil {
		return fmt.Errorf("write the registry: %w", out.Error())
	}
	return nil
}

// ReadRegistry reads a registry: UTF-8, with or without a byte order mark,
// fields between commas, semicolons or tabs, lines ended as on any system. The
// header names the columns in any order; turnout is required, what is left out
// is not said. Where fields stand between semicolons or tabs, numbers may have a
// decimal comma. What is wrong is a [*RegistryError]; then nothing is returned.
func ReadRegistry(r io.Reader) ([]alerting.Place, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxRegistryBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read the registry: %w", err)
	}
	whole := func(expected, found string) error {
		return &RegistryError{Faults: []RegistryFault{{Expected: expected, Found: found}}}
	}
	if len(data) > MaxRegistryBytes {
		return nil, whole(fmt.Sprintf("at most %d bytes", MaxRegistryBytes), "more")
	}
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return nil, whole("UTF-8", "UTF-16; save it as CSV UTF-8")
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if !utf8.Valid(data) {
		for i, line := range bytes.Split(data, []byte("\n")) {
			if !utf8.Valid(line) {
				f := RegistryFault{Line: i + 1, Expected: "UTF-8", Found: "another encoding; save it as CSV UTF-8"}
				return nil, &RegistryError{Faults: []RegistryFault{f}}
			}
		}
	}
	if !bytes.Contains(data, []byte("\n")) {
		data = bytes.ReplaceAll(data, []byte("\r"), []byte("\n")) // as old spreadsheets end their lines
	}
	comma := separator(data)
	if m := sepLine.FindSubmatch(data); m != nil {
		comma, data = rune(m[1][0]), append([]byte("\n"), data[len(m[0]):]...) // an empty line: the others keep their numbers
	}
	rd := &registryReader{csv: csv.NewReader(bytes.NewReader(data)), line: map[string]int{}}
	rd.csv.FieldsPerRecord, rd.csv.Comma = -1, comma
	return rd.read()
}

// sepLine is what some spreadsheets write before the header.
var sepLine = regexp.MustCompile(`^"?sep=([,;\t])"?\r?\n`)

// separator is what stands between the fields of the first line that has any text.
func separator(data []byte) rune {
	first, _, _ := bytes.Cut(bytes.TrimLeft(data, "\r\n"), []byte("\n"))
	best, most := ',', 0
	for _, c := range ",;\t" {
		if n := bytes.Count(first, []byte(string(c))); n > most {
			best, most = c, n
		}
	}
	return best
}

type registryReader struct {
	csv     *csv.Reader
	columns []registryColumn // the zero one: of a name that is not known
	line    map[string]int   // of each turnout
	faults  RegistryError
	places  []alerting.Place
}

func (rd *registryReader) read() ([]alerting.Place, error) {
	for lines := 0; ; {
		fields, err := rd.csv.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			var bad *csv.ParseError
			if !errors.As(err, &bad) {
				return nil, fmt.Errorf("read the registry: %w", err)
			}
			rd.faults.add(RegistryFault{Line: bad.StartLine, Expected: `each " inside a quoted field written twice, and one at its end`, Found: fmt.Sprintf("otherwise up to line %d, byte %d", bad.Line, bad.Column)})
			if rd.columns == nil {
				break // without a header nothing can be said of the rest
			}
			continue
		}
		line, _ := rd.csv.FieldPos(0)
		switch {
		case !slices.ContainsFunc(fields, func(s string) bool { return strings.TrimSpace(s) != "" }):
			// Spreadsheets leave such lines at the end.
		case rd.columns == nil:
			rd.header(line, fields)
		default:
			if lines++; lines > MaxRegistryLines {
				rd.faults.add(RegistryFault{Line: line, Expected: fmt.Sprintf("at most %d turnouts", MaxRegistryLines), Found: "another"})
				return nil, &rd.faults
			}
			rd.place(line, fields)
		}
	}
	if rd.columns == nil && len(rd.faults.Faults) == 0 {
		rd.faults.add(RegistryFault{Expected: "a header and a line a turnout", Found: "nothing"})
	}
	if len(rd.faults.Faults) > 0 {
		return nil, &rd.faults
	}
	return rd.places, nil
}

// header takes the names of the columns. A name that is not known is a fault,
// for a slip there would lose a column in silence.
func (rd *registryReader) header(line int, fields []string) {
	known := registryColumns()
	var names []string
	for _, c := range known {
		names = append(names, c.name)
	}
	rd.columns = make([]registryColumn, len(fields))
	seen := map[string]bool{}
	for i, name := range fields {
		name = strings.ToLower(strings.TrimSpace(name))
		at := slices.Index(names, name)
		switch {
		case at < 0:
			rd.faults.add(RegistryFault{Line: line, Column: strconv.Itoa(i + 1), Expected: "one of " + strings.Join(names, ", "), Found: quoteShort(fields[i])})
			continue
		case seen[name]:
			rd.faults.add(RegistryFault{Line: line, Column: name, Expected: "each column once", Found: "it again as number " + strconv.Itoa(i+1)})
			continue
		}
		seen[name], rd.columns[i] = true, known[at]
	}
	if !seen["turnout"] {
		rd.faults.add(RegistryFault{Line: line, Expected: "a column turnout", Found: "none"})
	}
}

func (rd *registryReader) place(line int, fields []string) {
	// What stands beyond the header and is empty was left by a spreadsheet.
	for len(fields) > len(rd.columns) && strings.TrimSpace(fields[len(fields)-1]) == "" {
		fields = fields[:len(fields)-1]
	}
	if len(fields) != len(rd.columns) {
		rd.faults.add(RegistryFault{Line: line, Expected: fmt.Sprintf("%d fields, as in the header", len(rd.columns)), Found: strconv.Itoa(len(fields))})
		return
	}
	var p alerting.Place
	named := false
	for i, c := range rd.columns {
		if c.set == nil {
			continue // told of in the header
		}
		s := fields[i]
		if c.name != "notes" {
			s = strings.TrimSpace(s)
		}
		if expected := c.set(&p, s, rd.csv.Comma != ','); expected != "" {
			at, _ := rd.csv.FieldPos(i)
			rd.faults.add(RegistryFault{Line: at, Column: c.name, Expected: expected, Found: quoteShort(fields[i])})
		} else if c.name == "turnout" {
			named = true
		}
	}
	if !named {
		return
	}
	if first, ok := rd.line[p.Turnout]; ok {
		rd.faults.add(RegistryFault{Line: line, Column: "turnout", Expected: "each turnout once", Found: fmt.Sprintf("%s also in line %d", p.Turnout, first)})
		return
	}
	rd.line[p.Turnout] = line
	rd.places = append(rd.places, p)
}

// quoteShort gives what was found, in quotes, cut where it is long.
func quoteShort(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return strconv.Quote(string(r[:most])) + "…"
	}
	return strconv.Quote(s)
}
