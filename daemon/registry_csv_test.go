package daemon

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"throwline/alerting"
)

func TestReadRegistry(t *testing.T) {
	want := []alerting.Place{
		{Turnout: "W1", Area: "North", Line: "main", Position: 12.5, Drive: "electric", Criticality: 4, ThrowTime: 6.5, EffortRise: 20, OutOfService: true, Notes: "a, \"b\"\nc"},
		{Turnout: "W2"},
	}
	head := "turnout,area,line,position,drive,criticality,throw_time_s,effort_rise_percent,out_of_service,notes\n"
	plain := head + "W1,North,main,12.5,electric,4,6.5,20,yes,\"a, \"\"b\"\"\nc\"\nW2,,,,,,,,,\n"
	semicolons := "Notes;TURNOUT; area ;drive;position;line;criticality;throw_time_s;effort_rise_percent;out_of_service\n" +
		"\"a, \"\"b\"\"\nc\";W1; North;Electric;12,5;main;4;6,5;20;TRUE\n;W2;;;;;;;;no\n;;;;;;;;;\n"
	tabs := strings.NewReplacer(";", "\t").Replace(semicolons)
	for what, text := range map[string]string{
		"plain":            plain,
		"mark, CRLF":       "\ufeff" + strings.ReplaceAll(plain, "\n", "\r\n"),
		"CR":               strings.ReplaceAll(strings.ReplaceAll(plain, "\nc", " c"), "\n", "\r"),
		"no last line end": strings.TrimSuffix(plain, "\n"),
		"empty lines":      "\n\n" + strings.Replace(plain, "W2", "\n \n,,,\nW2", 1) + "\n,,,,,,,,,,,,,\n",
		"semicolons":       semicolons,
		"semicolons, CRLF": "\ufeff" + strings.ReplaceAll(semicolons, "\n", "\r\n"),
		"said separator":   "sep=;\r\n" + strings.ReplaceAll(semicolons, "\n", "\r\n"),
		"tabs":             tabs,
		"more empty ones":  strings.Replace(plain, "W2,", "W2,,,", 1),
	} {
		want := slices.Clone(want)
		if what == "CR" {
			want[0].Notes = "a, \"b\" c"
		}
		got, err := ReadRegistry(strings.NewReader(text))
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: expected %+v, found %+v, %v", what, want, got, err)
		}
	}
	got, err := ReadRegistry(strings.NewReader("turnout\nW1\n"))
	if err != nil || !reflect.DeepEqual(got, []alerting.Place{{Turnout: "W1"}}) {
		t.Errorf("names alone: found %+v, %v", got, err)
	}
	if got, err := ReadRegistry(strings.NewReader(head)); err != nil || len(got) != 0 {
		t.Errorf("a header alone: found %+v, %v", got, err)
	}
	got, err = ReadRegistry(strings.NewReader("turnout,position\nW1,-0\n"))
	if err != nil || math.Signbit(got[0].Position) {
		t.Errorf("nothing below zero: found %+v, %v", got, err)
	}
}

// All that is wrong is told at once, each with its line and column.
func TestRegistryFaults(t *testing.T) {
	long := strings.Repeat("x", 5000)
	for _, c := range []struct{ what, text, want string }{
		{"many", "turnout,criticality,drive,throw_time_s,out_of_service,effort_rise_percent,position,area\n" +
			"W1,6,steam,-1,perhaps,x,Inf,\"a\nb\"\n" +
			"W 2,0.5,,1e9,,NaN,0x10,\n" +
			"W3\n" +
			"W4,,,,,,\"1,5\",\n" +
			"W1,,,,,,,\n" +
			"W5,,,,,,,,more\n" +
			"W 2,,,,,,,\n",
			`registry: line 2, column criticality: expected a whole number from 1, slight, to 5, severe, or nothing, found "6"
line 2, column drive: expected nothing or one of electric, hydraulic, pneumatic, manual, other, found "steam"
line 2, column throw_time_s: expected a number of seconds from 0 to 3600, found "-1"
line 2, column out_of_service: expected yes or no, found "perhaps"
line 2, column effort_rise_percent: expected a number of percent from 0 to 10000, found "x"
line 2, column position: expected a number from -1000000000 to 1000000000, found "Inf"
line 2, column area: expected at most 128 characters, none of them a control character, found "a\nb"
line 4, column turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "W 2"
line 4, column criticality: expected a whole number from 1, slight, to 5, severe, or nothing, found "0.5"
line 4, column throw_time_s: expected a number of seconds from 0 to 3600, found "1e9"
line 4, column effort_rise_percent: expected a number of percent from 0 to 10000, found "NaN"
line 4, column position: expected a number from -1000000000 to 1000000000, found "0x10"
line 5: expected 8 fields, as in the header, found 1
line 6, column position: expected a number from -1000000000 to 1000000000, found "1,5"
line 7, column turnout: expected each turnout once, found W1 also in line 2
line 8: expected 8 fields, as in the header, found 9
line 9, column turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "W 2"`},
		{"header", "area,Area,turn out,,line\n", `registry: line 1, column area: expected each column once, found it again as number 2
line 1, column 3: expected one of turnout, area, line, position, drive, criticality, throw_time_s, effort_rise_percent, out_of_service, notes, found "turn out"
line 1, column 4: expected one of turnout, area, line, position, drive, criticality, throw_time_s, effort_rise_percent, out_of_service, notes, found ""
line 1: expected a column turnout, found none`},
		{"numbers of lines after sep", "sep=;\nturnout;area\nW1;\nW 1;\n", `registry: line 4, column turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "W 1"`},
		{"quotes", "turnout,notes\nW1,a\"b\nW2,\"a\"b\nW 3,\nW4,\"open\nW5,\n", `registry: line 2: expected each " inside a quoted field written twice, and one at its end, found otherwise up to line 2, byte 5
line 3: expected each " inside a quoted field written twice, and one at its end, found otherwise up to line 3, byte 6
line 4, column turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "W 3"
line 5: expected each " inside a quoted field written twice, and one at its end, found otherwise up to line 6, byte 5`},
		{"header with an open quote", "\"turnout,notes\nW1,\n", `registry: line 1: expected each " inside a quoted field written twice, and one at its end, found otherwise up to line 2, byte 5`},
		{"nothing", "", "registry: file: expected a header and a line a turnout, found nothing"},
		{"empty lines", "\n,,\n", "registry: file: expected a header and a line a turnout, found nothing"},
		{"another encoding", "turnout,notes\nW1,a\nW2,f\xf8r\n", "registry: line 3: expected UTF-8, found another encoding; save it as CSV UTF-8"},
		{"UTF-16", "\xff\xfet\x00", "registry: file: expected UTF-8, found UTF-16; save it as CSV UTF-8"},
		{"control", "turnout,notes\nW1,a\x07\n", `registry: line 2, column notes: expected at most 4096 characters, none of them a control character, found "a\a"`},
		{"long", "turnout,notes\nW1," + long + "\n", `registry: line 2, column notes: expected at most 4096 characters, none of them a control character, found "` + long[:60] + `"…`},
	} {
		got, err := ReadRegistry(strings.NewReader(c.text))
		var all *RegistryError
		if !errors.As(err, &all) || err.Error() != c.want || got != nil {
			t.Errorf("%s:\nexpected %s\nfound    %v\n%v", c.what, c.want, err, got)
		}
	}
}

func TestRegistryLimits(t *testing.T) {
	var b strings.Builder
	b.WriteString("turnout\n")
	for i := range MaxRegistryLines {
		fmt.Fprintf(&b, "W%d\n", i)
	}
	if got, err := ReadRegistry(strings.NewReader(b.String())); err != nil || len(got) != MaxRegistryLines {
		t.Errorf("as many as can be: found %d, %v", len(got), err)
	}
	b.WriteString("more\n")
	if _, err := ReadRegistry(strings.NewReader(b.String())); err == nil || err.Error() != "registry: line 200002: expected at most 200000 turnouts, found another" {
		t.Errorf("found %v", err)
	}
	endless := io.MultiReader(strings.NewReader("turnout\n"), zeros{})
	if _, err := ReadRegistry(endless); err == nil || err.Error() != "registry: file: expected at most 33554432 bytes, found more" {
		t.Errorf("found %v", err)
	}
	_, err := ReadRegistry(strings.NewReader("turnout\n" + strings.Repeat("§\n", 1000)))
	var all *RegistryError
	if !errors.As(err, &all) || len(all.Faults) != maxRegistryFault || all.More != 1000-maxRegistryFault || !strings.HasSuffix(err.Error(), "\nand 800 more") {
		t.Errorf("found %v", err)
	}
	if _, err := ReadRegistry(iotest.ErrReader(io.ErrUnexpectedEOF)); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("found %v", err)
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { return copy(p, bytes.Repeat([]byte("0"), len(p))), nil }

// formulas are texts that a spreadsheet would run, and those that look like
// what keeps it from that.
var formulas = []string{"=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\n=1", "＝1", "'", "''", "'=1", "''=1", "'quoted", "a=1", " =1", "=\"a,b;c\"\n"}

// What is written is read as it was, and no text of it begins a formula.
func TestRegistryRoundTrip(t *testing.T) {
	full := alerting.Place{Turnout: "-W.1_", Area: "Nørd ☃", Line: "=A1", Position: -12.0625, Drive: "hydraulic", Criticality: 5, ThrowTime: 1e-7, EffortRise: 33.3, OutOfService: true, Notes: "x"}
	// A field that someone adds to a place needs a column.
	for v, i := reflect.ValueOf(full), 0; i < v.NumField(); i++ {
		if v.Field(i).IsZero() {
			t.Errorf("%s: expected a value in this test and a column in the file", v.Type().Field(i).Name)
		}
	}
	places := []alerting.Place{full, {Turnout: "W1"}}
	for i, f := range formulas {
		places = append(places, alerting.Place{Turnout: fmt.Sprint("F", i), Notes: f})
	}
	var b bytes.Buffer
	if err := WriteRegistry(&b, places); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	if !strings.HasPrefix(text, "\ufeffturnout,area,") || !strings.Contains(text, "\n'-W.1_,Nørd ☃,'=A1,-12.0625,hydraulic,5,0.0000001,33.3,yes,x\n") {
		t.Errorf("found %s", text)
	}
	got, err := ReadRegistry(&b)
	if err != nil || !reflect.DeepEqual(got, places) {
		t.Errorf("expected %+v\nfound    %+v, %v", places, got, err)
	}
	for _, f := range formulas {
		if written := noFormula(f); strings.ContainsRune("=+-@\t\n＝", []rune(written)[0]) || asMeant(written) != f {
			t.Errorf("%q was written as %q and read as %q", f, written, asMeant(written))
		}
	}
	// Line breaks of other systems become those of Unix.
	b.Reset()
	if err := WriteRegistry(&b, []alerting.Place{{Turnout: "W1", Notes: "\r\na\rb"}}); err != nil {
		t.Fatal(err)
	}
	if got, err := ReadRegistry(&b); err != nil || got[0].Notes != "\na\nb" {
		t.Errorf("found %+v, %v", got, err)
	}
	for n := range 4 { // a writer that fails, early or late
		many := slices.Repeat(places, 200)
		if err := WriteRegistry(&failing{n}, many); !errors.Is(err, io.ErrShortWrite) {
			t.Errorf("found %v", err)
		}
	}
}

// failing takes so many writes.
type failing struct{ left int }

func (f *failing) Write(p []byte) (int, error) {
	if f.left--; f.left < 0 {
		return 0, io.ErrShortWrite
	}
	return len(p), nil
}

// Whatever is read can be written and read again.
func FuzzReadRegistry(f *testing.F) {
	f.Add([]byte("turnout,area,notes\nW1,'=a,\"x\ny\"\n"))
	f.Add([]byte("sep=;\r\nturnout;position\r\nW1;1,5\r\n"))
	f.Add([]byte("\ufeffnotes\tturnout\tdrive\n'\tW\tOther\n"))
	f.Add([]byte("turnout,criticality,throw_time_s,out_of_service\nW,1,2,no\nW,,,\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		places, err := ReadRegistry(bytes.NewReader(data))
		var all *RegistryError
		if err != nil {
			if !errors.As(err, &all) || len(all.Faults) == 0 || places != nil {
				t.Fatalf("found %v, %v", places, err)
			}
			return
		}
		var b bytes.Buffer
		if err := WriteRegistry(&b, places); err != nil {
			t.Fatal(err)
		}
		again, err := ReadRegistry(bytes.NewReader(b.Bytes()))
		if err != nil || len(again) != len(places) || len(places) > 0 && !reflect.DeepEqual(again, places) {
			t.Fatalf("expected %+v\nfound    %+v, %v\n%q", places, again, err, b.Bytes())
		}
	})
}
