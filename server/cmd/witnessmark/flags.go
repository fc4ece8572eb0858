package main

import (
	"flag"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// flags are the options of one command. Most can also be set in the environment:
// --s3-bucket by WITNESSMARK_S3_BUCKET. The command line wins.
type flags struct {
	set   *flag.FlagSet
	env   func(string) string
	order []described
	err   error // a variable that cannot be read
}

type described struct{ name, form, help, def, variable string }

func newFlags(name string, env func(string) string) *flags {
	set := flag.NewFlagSet(name, flag.ContinueOnError)
	set.SetOutput(io.Discard) // mistakes are reported by report
	set.Usage = func() {}
	return &flags{set: set, env: env}
}

// variable is the name in the environment of an option.
func variable(name string) string {
	return "WITNESSMARK_" + strings.ToUpper(strings.ReplaceAll(name, "-", "_"))
}

// text declares an option with a text; form is how help calls its value.
func (f *flags) text(name, form, def, help string) *string {
	v := def
	if e := f.env(variable(name)); e != "" {
		v = e
	}
	f.order = append(f.order, described{name, form, help, def, variable(name)})
	return f.set.String(name, v, help)
}

// secret declares an option that is only set in the environment: the command
// line is seen by everyone on the machine.
func (f *flags) secret(name, help string) string {
	f.order = append(f.order, described{"", "", help, "", variable(name)})
	return f.env(variable(name))
}

// yes declares a switch.
func (f *flags) yes(name, help string) *bool {
	def := false
	if e := f.env(variable(name)); e != "" {
		b, err := strconv.ParseBool(e)
		if err != nil && f.err == nil {
			f.err = usagef("%s is %q; it is true or false", variable(name), e)
		}
		def = b
	}
	f.order = append(f.order, described{name, "", help, "", variable(name)})
	return f.set.Bool(name, def, help)
}

// local declares a switch of this call alone, not of the environment.
func (f *flags) local(name, help string) *bool {
	f.order = append(f.order, described{name: name, help: help})
	return f.set.Bool(name, false, help)
}

// word declares an option of this call alone, not of the environment.
func (f *flags) word(name, form, def, help string) *string {
	f.order = append(f.order, described{name: name, form: form, help: help, def: def})
	return f.set.String(name, def, help)
}

// words declares an option that may be given several times.
func (f *flags) words(name, form, help string) *[]string {
	f.order = append(f.order, described{name: name, form: form, help: help + "; may be given again"})
	var out []string
	f.set.Func(name, help, func(v string) error {
		out = append(out, v)
		return nil
	})
	return &out
}

// number declares an option with a whole number.
func (f *flags) number(name, form string, def int, help string) *int {
	f.order = append(f.order, described{name: name, form: form, help: help, def: strconv.Itoa(def)})
	return f.set.Int(name, def, help)
}

// span declares an option with a duration such as 36h.
func (f *flags) span(name string, def time.Duration, help string) *time.Duration {
	f.order = append(f.order, described{name: name, form: "DURATION", help: help, def: def.String()})
	return f.set.Duration(name, def, help)
}

// parse reads options wherever they stand and returns the other arguments. After
// "--" nothing is an option.
func (f *flags) parse(args []string) ([]string, error) {
	if f.err != nil {
		return nil, f.err
	}
	var rest []string
	for {
		if err := f.set.Parse(args); err != nil {
			if err == flag.ErrHelp {
				return nil, err
			}
			return nil, usagef("%v; see 'witnessmark help %s'", err, f.set.Name())
		}
		left := f.set.Args()
		if len(left) == 0 {
			return rest, nil
		}
		if at := len(args) - len(left); at > 0 && args[at-1] == "--" {
			return append(rest, left...), nil
		}
		rest, args = append(rest, left[0]), left[1:]
	}
}

// describe lists the options for help.
func (f *flags) describe() string {
	var b strings.Builder
	for _, d := range f.order {
		left := ""
		if d.name != "" {
			left = strings.TrimSpace("--" + d.name + " " + d.form)
		}
		right := d.help
		if d.def != "" {
			right += " (default " + d.def + ")"
		}
		if d.variable != "" {
			right += " [" + d.variable + "]"
		}
		fmt.Fprintf(&b, "  %-24s %s\n", left, right)
	}
	return b.String()
}

// exactly says that a command takes so many arguments, named as help names them.
func exactly(args []string, names ...string) error {
	if len(args) == len(names) {
		return nil
	}
	if len(args) > len(names) {
		return usagef("%q is more than is wanted here", args[len(names)])
	}
	return usagef("%s is missing", names[len(args)])
}
