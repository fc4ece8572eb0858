// Command accuracy draws end faces, has them judged, and prints a table of how
// well that went. With -md it writes the same table to a file.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"runtime"

	"witnessmark/internal/endface/render"
	"witnessmark/internal/endface/trial"
)

func main() {
	n := flag.Int("n", 2000, "number of pictures")
	first := flag.Uint64("seed", 1, "first seed")
	md := flag.String("md", "", "file to write the table to")
	workers := flag.Int("workers", runtime.GOMAXPROCS(0), "pictures judged at a time")
	verbose := flag.Bool("v", false, "print every picture that is judged wrongly")
	every := flag.Bool("vv", false, "print those with a mark missed or made up as well")
	flag.Parse()
	if err := run(*n, *first, *md, *workers, *verbose || *every, *every); err != nil {
		fmt.Fprintln(os.Stderr, "accuracy:", err)
		os.Exit(1)
	}
}

func run(n int, first uint64, md string, workers int, verbose, every bool) error {
	if n < 1 || n > 1_000_000 {
		return fmt.Errorf("-n: %d is not from 1 to 1,000,000", n)
	}
	done := 0
	outs := trial.Run(first, n, workers, func(o trial.Outcome) {
		done++
		if done%200 == 0 {
			fmt.Fprintf(os.Stderr, "%d of %d\n", done, n)
		}
	})
	if verbose {
		for _, o := range outs {
			if o.Err != nil || !o.Agrees() && o.Population != render.Free ||
				o.Population == render.Clean && len(o.Result.Marks) > 0 || every && o.Population == render.Clear && o.Extra+o.Missed > 0 {
				describe(o)
			}
		}
	}
	s := trial.Sum(outs)
	var b bytes.Buffer
	table(&b, s, n, first)
	if _, err := os.Stdout.Write(b.Bytes()); err != nil {
		return err
	}
	if md == "" {
		return nil
	}
	return os.WriteFile(md, b.Bytes(), 0o644)
}

func describe(o trial.Outcome) {
	f := o.Face
	fmt.Fprintf(os.Stderr, "seed %d population %d %s: want %s got %s %s %q err %v\n", o.Seed, o.Population, o.Ruleset, o.Want, o.Result.Verdict, o.Result.Reason, o.Result.Why, o.Err)
	fmt.Fprintf(os.Stderr, "  %dx%d %.2f px/µm dark %v blur %.2f px (found %.2f µm = %.2f px) noise %.4f texture %.3f axis off %.2f µm scale off %.2f%%\n",
		f.Width, f.Height, f.PixelsPerMicrometer, f.Dark, f.Blur, o.Result.BlurMicrometers, o.Result.BlurMicrometers*f.PixelsPerMicrometer, f.Noise, f.Texture, o.AxisError, 100*o.ScaleError)
	for i, t := range o.Truth.Features {
		fmt.Fprintf(os.Stderr, "  true  %-7s at %7.1f %7.1f size %5.2f inner %6.2f contrast %.2f\n", t.Kind, t.X, t.Y, t.Size, t.InnerRadius, f.Marks[i].Contrast)
	}
	for _, m := range o.Result.Marks {
		fmt.Fprintf(os.Stderr, "  found %-7s at %7.1f %7.1f size %5.2f inner %6.2f zone %s length %.1f\n", m.Feature.Kind, m.Feature.X, m.Feature.Y, m.Feature.Size, m.Feature.InnerRadius, m.Zone, m.Length)
	}
}
