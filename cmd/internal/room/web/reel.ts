// Pictures of a clip. They come by the reel, some thirty in one answer, and are
// kept as JPEG until the page is left; stepping never waits once they are here.

export class Reel {
  private urls = new Map<number, string | null>(); // null: did not decode
  private asked = new Map<number, Promise<void>>(); // by first frame of the reel
  constructor(private at: string) {}

  // url is where a frame's picture is, null when it did not decode, undefined while
  // it is not here.
  url(frame: number): string | null | undefined {
    return this.urls.get(frame);
  }

  // need fetches the reel that a frame is in.
  async need(frame: number): Promise<void> {
    if (this.urls.has(frame)) return;
    const key = frame - (frame % 32); // film.go: reelFrames
    let p = this.asked.get(key);
    if (!p) {
      p = this.fetch(frame);
      this.asked.set(key, p);
      p.catch(() => this.asked.delete(key));
    }
    await p;
  }

  private async fetch(frame: number): Promise<void> {
    const answer = await fetch(`${this.at}/frames/${frame}`);
    if (!answer.ok) throw new Error(String(answer.status));
    let i = Number(answer.headers.get("Frame-Index"));
    const bytes = await answer.arrayBuffer();
    const view = new DataView(bytes);
    for (let p = 0; p < bytes.byteLength; i++) {
      const n = view.getUint32(p);
      p += 4;
      this.urls.set(i, n ? URL.createObjectURL(new Blob([bytes.slice(p, p + n)], { type: "image/jpeg" })) : null);
      p += n;
    }
  }
}
