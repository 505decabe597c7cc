// Prints a hitter's bat speeds from the film room's address: node reader.js ADDRESS HITTER
interface Page { swings: { href: string }[]; next?: string }
interface Measure { id: string; unit: string; value: number | null; sigma: number | null }
interface Record { time: string; data: { measures: Measure[] } }

async function get<T>(address: string): Promise<T> {
  const r = await fetch(address);
  if (!r.ok) throw new Error(`${address}: ${r.status}`);
  return (await r.json()) as T;
}

const [room, hitter] = process.argv.slice(2);
for (let next: string | undefined = `/api/v1/swings?hitter=${encodeURIComponent(hitter)}`; next; ) {
  const page: Page = await get<Page>(room + next);
  for (const s of page.swings) {
    const e = await get<Record>(room + s.href);
    const m = e.data.measures.find((m) => m.id === "bat_speed_contact");
    if (m && m.value !== null && m.sigma !== null)
      console.log(`${e.time} ${m.value.toFixed(1)} ${m.unit}, standard uncertainty ${m.sigma.toFixed(1)}`);
  }
  next = page.next;
}
