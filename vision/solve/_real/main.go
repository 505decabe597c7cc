package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"nightcage/vision/truth"
	"nightcage/worker/analysis"
)

func main() {
	ctx := context.Background()
	a, err := analysis.New(ctx)
	if err != nil {
		panic(err)
	}
	defer a.Close()
	out := os.Args[1]
	for _, p := range os.Args[2:] {
		tp, err := truth.Find(p)
		if err != nil {
			fmt.Println(err)
			continue
		}
		f, err := truth.Read(tp)
		if err != nil {
			panic(err)
		}
		s := f.Subject()
		res, err := a.Run(ctx, p, s, analysis.Options{NoStills: true}, nil)
		if err != nil {
			fmt.Println(p, err)
			continue
		}
		b, _ := json.Marshal(res.Track)
		name := strings.TrimSuffix(filepath.Base(p), ".mp4") + ".track.json"
		os.WriteFile(filepath.Join(out, name), b, 0o644)
		fmt.Println(name, len(res.Track.Frames))
	}
}
