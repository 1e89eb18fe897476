mod truth;
use std::path::{Path,PathBuf};
use truth::*;

fn cache() -> PathBuf { Path::new(env!("CARGO_MANIFEST_DIR")).join("target/truth-cache") }

#[test]
#[ignore]
fn write_cells() {
    let folder = PathBuf::from(std::env::var_os("EVENBEAT_TRUTH_CELLS").unwrap());
    let chosen = std::fs::read_to_string(std::env::var_os("EVENBEAT_TRUTH_CHOICE").unwrap()).unwrap();
    let mut chosen: Vec<&str> = chosen.lines().collect();
    chosen.sort();
    let mut index = String::from("path,truth,scene,delivery,recording,rate\n");
    let mut number = 0;
    let mut all: Vec<scenes::Scene> = scenes::PAINTED.iter().map(|(n, _)| scenes::Scene::painted(n, cells::FULL_SIZE)).collect();
    all.extend(real_clips::at_hand(cells::FULL_SIZE));
    for scene in all {
        let list: Vec<_> = cells::of_scene(number, scene, cells::FULL_FRAMES, true).into_iter().filter(|c| chosen.binary_search(&c.name().as_str()).is_ok()).collect();
        number += 1;
        for cell in list {
            cells::write_to(&cell, &folder, &cache()).unwrap();
            let stem = cell.name().replace(['/', ':'], "_");
            index += &format!("{0}/{stem}.y4m,{0}/{stem}.truth.csv,{1},{2},{3},{4}\n", folder.display(), cell.scene.name, cell.delivery.name, cell.recording.name(), cell.delivery.delivered_rate);
            std::fs::write(folder.join("index.csv"), &index).unwrap();
            println!("{}", cell.name());
        }
    }
}

#[test]
fn painted_neighbours_differ() {
    for (name, _) in scenes::PAINTED {
        scenes::neighbours_differ(&scenes::Scene::painted(name, cells::SHORT_SIZE), 130).unwrap();
    }
}
