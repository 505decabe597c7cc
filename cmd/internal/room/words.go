package room

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"sync"
)

//go:embed web/words.json
var wordsJSON []byte

// table is web/words.json: page has what templates and Go say, script what the
// scripts say.
var table = sync.OnceValue(func() map[string]string {
	var t struct {
		Page map[string]string `json:"page"`
	}
	if err := json.Unmarshal(wordsJSON, &t); err != nil {
		panic("room: words.json: " + err.Error())
	}
	return t.Page
})

// word is the text under a key. A key that is not there is a fault of the build;
// TestWords looks for them.
func word(key string) string {
	s, ok := table()[key]
	if !ok {
		panic(fmt.Sprintf("room: words.json has no %q", key))
	}
	return s
}

// words is the text under a key with its gaps filled in the way of fmt.Sprintf.
func words(key string, args ...any) string { return fmt.Sprintf(word(key), args...) }
