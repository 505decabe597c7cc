// Command reader prints a hitter's bat speeds from the film room's address.
package main

import (
	"encoding/json"
	"fmt"
	"log"
	"net/http"
	"net/url"
	"os"
)

func get(address string, into any) {
	r, err := http.Get(address)
	if err == nil && r.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", address, r.Status)
	}
	if err == nil {
		err = json.NewDecoder(r.Body).Decode(into)
	}
	if err != nil {
		log.Fatal(err)
	}
}

func main() {
	room, hitter := os.Args[1], os.Args[2]
	for next := "/api/v1/swings?hitter=" + url.QueryEscape(hitter); next != ""; {
		var page struct {
			Swings []struct{ Href string }
			Next   string
		}
		get(room+next, &page)
		for _, s := range page.Swings {
			var e struct {
				Time string
				Data struct {
					Measures []struct {
						ID, Unit, Reason string
						Value, Sigma     *float64
					}
				}
			}
			get(room+s.Href, &e)
			for _, m := range e.Data.Measures {
				if m.ID == "bat_speed_contact" && m.Value != nil {
					fmt.Printf("%s %.1f %s, standard uncertainty %.1f\n", e.Time, *m.Value, m.Unit, *m.Sigma)
				}
			}
		}
		next = page.Next
	}
}
