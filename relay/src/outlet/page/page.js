// Keeps pages fresh and plays films in place. Without it everything can be read, and links lead to the
// same pictures and films.
"use strict";

// --- The first page: parts of it are fetched again, and taken over where they have changed -----------

const main = document.querySelector("main[data-fresh]");

function renew(part, fresh) {
  // What plays, and what somebody is about to use, stays.
  if (part.querySelector("video") || part.contains(document.activeElement)) return;
  const img = part.querySelector("img");
  const other = fresh.querySelector("img");
  const same = img && other && img.dataset.at === other.dataset.at;
  if (same) {
    // The same picture, older by now.
    const [age, newer] = [part.querySelector(".age"), fresh.querySelector(".age")];
    if (age && newer) age.replaceWith(newer);
  } else if (part.innerHTML !== fresh.innerHTML) {
    part.className = fresh.className;
    part.replaceChildren(...fresh.childNodes);
  }
}

async function refresh() {
  const seconds = Number(main.dataset.fresh) * 1000;
  try {
    if (!document.hidden) {
      const answer = await fetch("/", { cache: "no-store" });
      if (!answer.ok) throw new Error(answer.statusText);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      // Where there are other cameras, all of it is another page; what plays stays.
      const parts = (of) => [...of.querySelectorAll("[data-part]")].map((part) => part.id).join();
      if (parts(page) !== parts(document) && !document.querySelector("video")) {
        location.reload();
        return;
      }
      for (const part of document.querySelectorAll("[data-part]")) {
        const fresh = page.getElementById(part.id);
        if (fresh) renew(part, fresh);
      }
    }
  } catch {
    const answer = document.getElementById("answer");
    answer.className = "answer wrong";
    answer.textContent = "The relay does not answer. What stands here is as of the time below.";
  }
  setTimeout(refresh, seconds);
}

function live(link) {
  const picture = document.getElementById(link.dataset.camera + "-picture");
  const video = document.createElement("video");
  video.muted = video.controls = video.playsInline = true;
  video.setAttribute("aria-label", "Live view of " + link.dataset.camera);
  for (const [address, kind] of [[link.href, "video/mp4"], [link.dataset.list, "application/vnd.apple.mpegurl"]]) {
    const source = document.createElement("source");
    source.src = address;
    source.type = kind;
    video.append(source);
  }
  const stop = document.createElement("button");
  stop.type = "button";
  stop.textContent = "Stop";
  const kept = [...picture.childNodes];
  stop.onclick = () => {
    // An open film is let go of, not only hidden.
    video.replaceChildren();
    video.removeAttribute("src");
    video.load();
    picture.replaceChildren(...kept);
    link.hidden = false;
    link.focus();
  };
  // Whoever has looked elsewhere for a while gets what is now.
  video.onplay = () => {
    const held = video.buffered;
    if (held.length && held.end(held.length - 1) - video.currentTime > 5) {
      video.currentTime = held.end(held.length - 1) - 1;
    }
  };
  picture.replaceChildren(video, stop);
  link.hidden = true;
  // `autoplay` waits until the browser thinks that it can play on to the end: two seconds of what is live.
  // Where a browser does not begin by itself, there are the controls.
  video.play().catch(() => {});
  video.focus();
}

if (main) {
  setTimeout(refresh, Number(main.dataset.fresh) * 1000);
  for (const link of document.querySelectorAll("a.live")) {
    link.addEventListener("click", (event) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      live(link);
    });
  }
}

// --- A day: a click plays what was there, and the clock of the footage runs beside it ----------------

const timeline = document.querySelector(".timeline");

function clock(milliseconds, zone) {
  const format = { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23", timeZone: zone };
  return new Intl.DateTimeFormat("en-GB", format).format(new Date(milliseconds));
}

if (timeline) {
  const { begin, end, zone, minutes } = timeline.dataset;
  timeline.dataset.click = "1";
  timeline.addEventListener("click", (event) => {
    const box = timeline.getBoundingClientRect();
    const share = (event.clientX - box.left) / box.width;
    const at = Number(begin) + share * (Number(end) - Number(begin));
    if (at < Date.now()) location.assign(`?at=${clock(at, zone)}&for=${minutes}#player`);
  });
  const video = document.querySelector("#player video");
  const told = document.getElementById("true-time");
  if (video && told) {
    let from = Number(video.dataset.from);
    // It begins at the picture before, where decoding can begin.
    fetch(video.currentSrc || video.src, { method: "HEAD" })
      .then((answer) => {
        const captured = Date.parse(answer.headers.get("forebay-captured"));
        if (captured) from = captured;
      })
      .catch(() => {});
    video.addEventListener("timeupdate", () => {
      told.textContent = clock(from + video.currentTime * 1000, zone);
    });
  }
}
