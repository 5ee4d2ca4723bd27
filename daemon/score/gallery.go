package score

import (
	"bytes"
	"errors"
	"fmt"
	"html/template"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// WritePictures draws each fault and each false alert of r, the tally's
// result, into a folder that is there, one SVG each, and an index.html that
// shows them with the table. It returns how many pictures there are; files of
// the same names are written anew, others are left.
func (t *Tally) WritePictures(dir string, r *Result) (int, error) {
	if !t.pictures {
		return 0, errors.New("pictures: expected a tally that keeps the throws for them, found one that does not")
	}
	index := struct {
		Start, End string
		Table      string
		Faults     []entry
		False      []entry
	}{Start: t.truth.Start.UTC().Format(time.DateOnly), End: t.truth.End.UTC().Format(time.DateOnly)}
	for i := range r.Cases {
		c := &r.Cases[i]
		e := entry{
			File: fmt.Sprintf("fault-%03d-%s-%s.svg", i+1, plain(c.Turnout), plain(c.Cause)), Turnout: c.Turnout, Kind: c.Kind, Cause: c.Cause,
			Onset: c.Onset.UTC().Format(time.DateOnly), Failure: "none", Warned: "no", Left: "-", First: "-",
		}
		if !c.Failure.IsZero() {
			e.Failure = c.Failure.UTC().Format(time.DateOnly)
		}
		if !c.Warned.IsZero() {
			e.Warned, e.First = c.Warned.UTC().Format(time.DateOnly), firstCause(c.First)
			if !c.Failure.IsZero() {
				e.Left = percent(c.Left)
			}
		}
		if err := e.write(dir, t.drawCase(c)); err != nil {
			return 0, err
		}
		index.Faults = append(index.Faults, e)
	}
	for i := range r.False {
		a := &r.False[i]
		e := entry{
			File: fmt.Sprintf("false-%03d-%s-%s.svg", i+1, plain(a.Alert.Turnout), plain(string(a.Alert.Condition))), Turnout: a.Alert.Turnout,
			Kind: t.truth.Turnouts[a.Alert.Turnout], Condition: string(a.Alert.Condition), Warned: a.At.UTC().Format(time.DateOnly), First: firstCause(a.Alert.Causes),
		}
		if err := e.write(dir, t.drawFalse(a)); err != nil {
			return 0, err
		}
		index.False = append(index.False, e)
	}
	var table bytes.Buffer
	if err := r.Print(&table); err != nil {
		return 0, err
	}
	index.Table = table.String()
	var page bytes.Buffer
	if err := indexPage.Execute(&page, index); err != nil {
		return 0, fmt.Errorf("index of the pictures: %w", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "index.html"), page.Bytes(), 0o644); err != nil {
		return 0, fmt.Errorf("index of the pictures: %w", err)
	}
	return len(index.Faults) + len(index.False), nil
}

// entry is one picture in the index.
type entry struct {
	File, Turnout, Kind, Cause, Condition string
	Onset, Failure, Warned, Left, First   string
	Title                                 string
}

func (e *entry) write(dir string, p *Picture) error {
	e.Title = p.Title + ". " + p.Said
	var b bytes.Buffer
	if err := p.WriteSVG(&b); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, e.File), b.Bytes(), 0o644); err != nil {
		return fmt.Errorf("picture: %w", err)
	}
	return nil
}

// plain keeps of a name what is good in a file's name everywhere.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '.':
			return r
		}
		return '-'
	}, s)
}

var indexPage = template.Must(template.New("index").Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Replay against the truth</title>
<style>
:root{color-scheme:light dark;--ink:#1c1e21;--paper:#fff;--soft:#5b6168;--grid:#dfe2e6;--link:#00659e}
@media (prefers-color-scheme:dark){:root{--ink:#e9eaec;--paper:#15171a;--soft:#a6acb3;--grid:#30353b;--link:#5ab4ee}}
body{font:15px/1.45 system-ui,sans-serif;color:var(--ink);background:var(--paper);max-width:1040px;margin:24px auto;padding:0 16px}
a{color:var(--link)}h1{font-size:22px}h2{font-size:18px;margin-top:32px}
pre{font-size:13px;overflow-x:auto}div.wide{overflow-x:auto}
table{border-collapse:collapse;font-size:13px}th,td{text-align:left;padding:3px 12px 3px 0;border-bottom:1px solid var(--grid);white-space:nowrap}
figure{margin:20px 0}img{width:100%;height:auto;border:1px solid var(--grid)}
</style></head><body>
<h1>What was said, against what was wrong</h1>
<p>From {{.Start}} to {{.End}}, UTC.</p>
<pre>{{.Table}}</pre>
<h2>Faults</h2>
{{with .Faults}}<div class="wide"><table><tr><th>turnout<th>drive<th>cause<th>onset<th>failure<th>warned<th>time left<th>first cause said</tr>
{{range .}}<tr><td><a href="#{{.File}}">{{.Turnout}}</a><td>{{.Kind}}<td>{{.Cause}}<td>{{.Onset}}<td>{{.Failure}}<td>{{.Warned}}<td>{{.Left}}<td>{{.First}}</tr>
{{end}}</table></div>{{else}}<p>None.</p>{{end}}
<h2>False alerts</h2>
{{with .False}}<div class="wide"><table><tr><th>turnout<th>drive<th>condition<th>raised<th>first cause said</tr>
{{range .}}<tr><td><a href="#{{.File}}">{{.Turnout}}</a><td>{{.Kind}}<td>{{.Condition}}<td>{{.Warned}}<td>{{.First}}</tr>
{{end}}</table></div>{{else}}<p>None.</p>{{end}}
<h2>Pictures</h2>
{{range .Faults}}<figure id="{{.File}}"><a href="{{.File}}"><img src="{{.File}}" alt="{{.Title}}" loading="lazy"></a></figure>
{{end}}{{range .False}}<figure id="{{.File}}"><a href="{{.File}}"><img src="{{.File}}" alt="{{.Title}}" loading="lazy"></a></figure>
{{end}}</body></html>
`))
